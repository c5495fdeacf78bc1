"""An invented population as a Bulk Data export: one NDJSON file per type of resource, lines of many people mixed."""

import gzip
import random
from collections.abc import Callable
from contextlib import ExitStack
from datetime import date
from pathlib import Path
from typing import BinaryIO, cast

import orjson

from sural.cohort.synthetic.examination import records

BLOCK = 500
"""People whose lines are mixed."""
_METFORMIN = {
    "resourceType": "Medication",
    "id": "skerrow-metformin",
    "code": {"coding": [{"system": "https://sural.example/fhir/CodeSystem/finding", "code": "metformin"}]},
}


def write(
    out: Path, patients: int, seed: int, as_of: date, lean: bool = False, faulty: float = 0.0, packed: bool = False,
    advance: Callable[[int], None] = lambda _: None,
) -> dict[str, int]:  # fmt: skip
    """Write a population into a folder; how many lines each file has. The same arguments give the same bytes.

    `faulty` is the share of Observations with a fault; a tenth as many lines are broken off in the middle.
    """
    out.mkdir(parents=True, exist_ok=True)
    chance = random.Random(f"{seed}/order")
    lines: dict[str, int] = {}
    with ExitStack() as stack:
        files: dict[str, BinaryIO] = {}

        def put(kind: str, content: list[bytes]) -> None:
            if kind not in files:
                files[kind] = stack.enter_context(_opened(out / f"{kind}.ndjson", packed))
                lines[kind] = 0
            files[kind].writelines(content)
            lines[kind] += len(content)

        put("Medication", [orjson.dumps(_METFORMIN) + b"\n"])
        for first in range(1, patients + 1, BLOCK):
            block: dict[str, list[bytes]] = {}
            last = min(first + BLOCK, patients + 1)
            for number in range(first, last):
                for resource in records(seed, number, as_of, lean, faulty):
                    line = orjson.dumps(resource)
                    if faulty and chance.random() < faulty / 10:
                        line = line[: len(line) // 2]
                    block.setdefault(resource["resourceType"], []).append(line + b"\n")
            for kind, content in block.items():
                chance.shuffle(content)
                put(kind, content)
            advance(last - first)
    return lines


def _opened(path: Path, packed: bool) -> BinaryIO:
    if packed:
        return cast(BinaryIO, gzip.GzipFile(path.with_name(f"{path.name}.gz"), "wb", compresslevel=1, mtime=0))
    return path.open("wb")
