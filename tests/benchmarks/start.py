"""Start to answer of the command line, and the memory it takes: one examination, one process each time.

    python -m tests.benchmarks.start [--runs N]
"""

import argparse
import os
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from tests.benchmarks import bundles

COMMAND = (sys.executable, "-c", "from sural.cli import main; raise SystemExit(main())", "assess")


def once(file: Path, check: str) -> tuple[float, float]:
    """Seconds from start to the end of the answer, and the most memory resident, in MB."""
    start = time.perf_counter()
    process = subprocess.Popen([*COMMAND, str(file), "--as-of", "2026-03-02", "--check", check], stdout=subprocess.DEVNULL)
    _, status, used = os.wait4(process.pid, 0)
    if status:
        raise SystemExit(f"the command line ended with {os.waitstatus_to_exitcode(status)}")
    process.returncode = 0
    return time.perf_counter() - start, used.ru_maxrss / 1024


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--runs", type=int, default=9)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "examination.json"
        file.write_bytes(bundles.lines(1)[0])
        print(f"{'--check':12}{'seconds':>9}{'limit':>7}{'MB':>8}{'limit':>7}")
        for check, limit in (("structure", 1.0), ("none", 0.5)):
            once(file, check)
            runs = [once(file, check) for _ in range(options.runs)]
            seconds, memory = (statistics.median(values) for values in zip(*runs, strict=True))
            print(f"{check:12}{seconds:9.2f}{limit:7.1f}{memory:8.0f}{120:7}")


if __name__ == "__main__":
    main()
