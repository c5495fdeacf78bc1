"""Writes the topics of subscriptions as Basic resources, as the R5 backport describes a topic in R4.

    python profiles/topics.py [--check]

`--check` writes nothing and reports whether the files are current (exit 1 when not).
"""

import json
import sys
from pathlib import Path

from sural.subscriptions.topics import TOPICS, described

FOLDER = Path(__file__).parent / "fhir"


def main(arguments: list[str]) -> int:
    """Write or check. Returns the exit code."""
    made = [described(kind) for kind in TOPICS.values()]
    texts = {f"Basic-{one['id']}.json": json.dumps(one, indent=1, ensure_ascii=False) + "\n" for one in made}
    present = {path.name: path.read_text(encoding="utf-8") for path in FOLDER.glob("Basic-*.json")}
    stale = sorted(name for name in texts.keys() | present.keys() if texts.get(name) != present.get(name))
    if "--check" not in arguments:
        for name in stale:
            if name in texts:
                (FOLDER / name).write_text(texts[name], encoding="utf-8")
            else:
                (FOLDER / name).unlink()
    for name in stale:
        print(f"{'stale' if '--check' in arguments else 'written'}: {name}")
    return 1 if stale and "--check" in arguments else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
