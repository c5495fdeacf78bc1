"""The fixture cases: an input, how to ask, what is expected of the summary, and why the case is there."""

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import msgspec
import orjson
from msgspec import Struct

from sural.doors.assessor import Answered, answer_all, documents, structural_check
from sural.doors.request import Request
from sural.exam.moment import moment
from sural.issues import Refused
from sural.terminology.publication import folder

INPUTS = ("input.json", "input.ndjson", "input.txt")


class How(Struct, frozen=True, forbid_unknown_fields=True, rename={"as_of": "as-of", "concept_map": "concept-map"}):
    """How a case is asked, as in `how.json`."""

    as_of: str
    lookback: str = "P12M"
    scheme: tuple[str, ...] = ()
    complete: tuple[str, ...] = ()
    pathway: str = "ng19"
    calendar: str | None = None
    preliminary: bool = False
    check: bool = True
    concept_map: str | None = None

    def request(self, case: "Case") -> Request:
        """The request of the case, for summaries."""
        day = moment(self.as_of)
        assert day is not None
        plain = Request(day.first_day)
        overlay = (case.folder / self.concept_map).read_bytes() if self.concept_map else None
        return msgspec.structs.replace(
            plain,
            lookback=self.lookback,
            schemes=self.scheme or plain.schemes,
            complete=frozenset(self.complete),
            pathway=self.pathway,
            calendar=self.calendar,
            preliminary=self.preliminary,
            output="summary",
            concept_maps=(overlay,) if overlay else (),
        )


class Case(Struct, frozen=True):
    """One folder of `fixtures/cases`."""

    folder: Path

    @property
    def name(self) -> str:
        return self.folder.name

    @property
    def input(self) -> Path:
        return next(self.folder / name for name in INPUTS if (self.folder / name).exists())

    @property
    def how(self) -> How:
        return msgspec.json.decode((self.folder / "how.json").read_bytes(), type=How)

    @property
    def expected(self) -> Any:
        """What must be in the answer: one object per document, in order."""
        return orjson.loads((self.folder / "expected.json").read_bytes())

    @property
    def why(self) -> str:
        return (self.folder / "why.md").read_text(encoding="utf-8")

    @property
    def title(self) -> str:
        return self.why.splitlines()[0].lstrip("# ")

    def answers(self) -> list[Answered]:
        """The case assessed here."""
        checker = structural_check() if self.how.check else None
        try:
            return list(answer_all(self.input.read_bytes(), self.how.request(self), checker))
        except Refused as refused:
            return [Answered(self.how.request(self), None, refused.issues)]

    def documents(self) -> list[Any]:
        """The summaries of the case, or the OperationOutcome it is refused with."""
        return [orjson.loads(orjson.dumps(document)) for one in self.answers() for document in documents(one)]

    def differences(self, got: list[Any]) -> list[str]:
        """Where an answer differs from what is expected."""
        expected = self.expected
        wanted = expected if isinstance(expected, list) else [expected]
        if len(got) != len(wanted):
            return [f"{len(got)} documents, expected {len(wanted)}"]
        return [
            line
            for index, (one, want) in enumerate(zip(got, wanted, strict=True))
            for line in mismatches(want, one, f"[{index}]")
        ]


def cases() -> list[Case]:
    """All cases by name."""
    return [Case(path) for path in sorted(folder("cases").iterdir()) if (path / "how.json").exists()]


def case(name: str) -> Case:
    """One case. Raises KeyError when there is none of that name."""
    found = {case.name: case for case in cases()}
    return found[name]


def mismatches(expected: Any, got: Any, path: str = "") -> Iterator[str]:
    """Every place where `got` lacks or contradicts what is expected. Objects may hold more than is expected; lists may not, unless the
    expectation is an object {"has": [...]} (each of these is in the list) or {"lacks": [...]}."""
    if isinstance(expected, dict) and isinstance(got, list):
        for wanted in expected.get("has", ()):
            if not any(not list(mismatches(wanted, item)) for item in got):
                yield f"{path}: {wanted!r} is not in the list"
        for unwanted in expected.get("lacks", ()):
            if any(not list(mismatches(unwanted, item)) for item in got):
                yield f"{path}: {unwanted!r} is in the list"
    elif isinstance(expected, dict):
        if not isinstance(got, dict):
            yield f"{path}: {got!r}, expected an object"
            return
        for key, value in expected.items():
            if key not in got:
                yield f"{path}.{key}: missing"
            else:
                yield from mismatches(value, got[key], f"{path}.{key}")
    elif isinstance(expected, list):
        if not isinstance(got, list) or len(got) != len(expected):
            yield f"{path}: {got!r}, expected {expected!r}"
            return
        for index, value in enumerate(expected):
            yield from mismatches(value, got[index], f"{path}[{index}]")
    elif expected != got:
        yield f"{path}: {got!r}, expected {expected!r}"
