"""Populations for tests: Bulk Data files written into a folder, and what a run makes of them."""

from collections.abc import Iterable
from datetime import date
from pathlib import Path
from typing import Any

import orjson
import pytest

from sural.cohort.account import Account
from sural.cohort.inputs import inputs
from sural.cohort.persons import Order
from sural.cohort.running import run
from sural.cohort.synthetic.examination import records
from sural.cohort.synthetic.writing import write
from sural.doors.request import Request
from tests import commands

AS_OF = date(2026, 3, 2)
OUTPUTS = ("answers.ndjson", "summaries.ndjson", "rejects.ndjson", "report.html", "account.json")

PEOPLE = 40
"""How many are in the export that tests share."""


@pytest.fixture(scope="module")
def export(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An export of some people, with faults and broken lines."""
    folder = tmp_path_factory.mktemp("export") / "in"
    write(folder, PEOPLE, 1, AS_OF, faulty=0.02)
    return folder


def command(source: Path, out: Path, *more: str) -> list[str]:
    """A run as a user starts it, in a process of its own that others may spring from."""
    options = ["--out", str(out), "--as-of", AS_OF.isoformat()]
    return commands.command("cohort", "assess", source, *options, *more)


class Silent:
    """Looks at nothing."""

    def grouping(self, files: int, size: int) -> None: ...

    def grouped(self, percent: float) -> None: ...

    def assessing(self, lines: int, done: int) -> None: ...

    def advance(self, patients: int, lines: int) -> None: ...


def islanders(count: int, faulty: float = 0.0) -> list[Any]:
    """The resources of some invented people."""
    return [resource for number in range(1, count + 1) for resource in records(1, number, AS_OF, faulty=faulty)]


def bulk(folder: Path, resources: Iterable[Any]) -> Path:
    """One NDJSON file per type of resource, as a Bulk Data export has them."""
    folder.mkdir(parents=True, exist_ok=True)
    lines: dict[str, list[bytes]] = {}
    for resource in resources:
        lines.setdefault(resource["resourceType"], []).append(orjson.dumps(resource) + b"\n")
    for kind, content in lines.items():
        (folder / f"{kind}.ndjson").write_bytes(b"".join(content))
    return folder


def assess(
    folder: Path, out: Path, workers: int = 1, resume: bool = False, earlier: Iterable[Path] = (), watch: Any = None, answers: bool = True, **how: Any
) -> Account:
    """A run over what is in a folder."""
    files, before = inputs([str(folder)]), inputs(map(str, earlier))
    out.mkdir(exist_ok=True)
    order = Order(Request(AS_OF, report="none", **how), answers, tuple(one.name for one in (*files, *before)))
    return run(files, before, out, order, workers, resume, watch or Silent())


def read(out: Path, name: str) -> list[Any]:
    """The lines of an output."""
    return [orjson.loads(line) for line in (out / f"{name}.ndjson").read_bytes().splitlines()]


def of_patient(resources: Iterable[Any], id: str) -> list[Any]:
    """The resources about one patient, with the Medications that they name."""
    found = [one for one in resources if one.get("subject", {}).get("reference") == f"Patient/{id}" or one["id"] == id]
    named = {one.get("medicationReference", {}).get("reference") for one in found}
    return found + [one for one in resources if f"{one['resourceType']}/{one['id']}" in named]
