"""See before you wire: what of an extract is understood, per code, without assessing; and what a site's own ConceptMaps change in that.

A survey holds codes with their displays, and counts: nothing of a patient's.
"""

from collections.abc import Iterable, Iterator

import msgspec
import orjson
from msgspec import Struct

from sural.doors.request import Request, with_parameters
from sural.intake import Accepted, read
from sural.intake.context import CodeUse, Fate
from sural.intake.documents import Document
from sural.issues import Issue, Refused
from sural.terminology import publication
from sural.terminology.lexicon import EQUIVALENT

WORST: tuple[Fate, ...] = ("unusable", "notRelevant", "superseded", "used")
"""What can become of a resource, worst first."""
MAPS = ("findings", "answers", "absent-reasons", "sites", "sides", "services")


class Survey(Struct):
    """What has been understood of all documents so far. `findings` counts, per concept, the findings that an assessment would have."""

    uses: dict[tuple[str, str, str, str], CodeUse] = {}
    issues: list[Issue] = []
    counts: dict[Fate, int] = msgspec.field(default_factory=lambda: dict.fromkeys(WORST, 0))
    findings: dict[str, int] = {}
    read: int = 0

    def take(self, document: Document | Refused, number: int | None, request: Request, bare: bool = False) -> Request:
        """Count one document in; one that cannot be read adds its issues, and the others still count.

        `bare` reads it without any ConceptMap of the site. Returns the request as the document's Parameters changed it.
        """
        asked = request
        try:
            if isinstance(document, Refused):
                raise document
            asked = with_parameters(request, document.parameters)
            if bare:
                asked = msgspec.structs.replace(asked, concept_maps=())
            reading = read(
                document, asked.lexicon(), asked.as_of, asked.lookback, asked.complete, asked.preliminary, by_code=True
            )
        except Refused as refused:
            self._remark(refused.issues, number)
            return asked
        self.read += 1
        for intake in (*(patient.intake for patient in reading.patients), reading.rest):
            self._remark(intake.issues, number)
            for fate, count in intake.counts.items():
                self.counts[fate] += count
        for patient in reading.patients:
            self._find(patient)
        for use in reading.codes:
            self._add(use)
        return asked

    def _remark(self, issues: Iterable[Issue], number: int | None) -> None:
        self.issues += [msgspec.structs.replace(issue, line=issue.line or number) for issue in issues]

    def _find(self, patient: Accepted) -> None:
        for finding in patient.examination:
            if finding.source is not None:
                self.findings[finding.concept.code] = self.findings.get(finding.concept.code, 0) + 1

    def _add(self, use: CodeUse) -> None:
        known = self.uses.setdefault((use.role, use.system, use.code, use.display), use)
        if known is not use:
            known.count += use.count
            known.understood = known.understood or use.understood
            for mine, theirs in ((known.fates, use.fates), (known.reasons, use.reasons)):
                for key, count in theirs.items():
                    mine[key] = mine.get(key, 0) + count

    def ranked(self, *roles: str) -> list[CodeUse]:
        """Worst first: by the worst fate, then what is not understood, then by how often. Every role when none is named."""
        found = (use for use in self.uses.values() if not roles or use.role in roles)
        return sorted(found, key=lambda use: (_worst(use), use.understood is not None, -use.count, f"{use.system}|{use.code}"))

    @property
    def faulty(self) -> bool:
        """Whether any input could not be used."""
        return bool(self.counts["unusable"]) or any(issue.severity in ("error", "fatal") for issue in self.issues)


class Change(Struct, frozen=True):
    """What ConceptMaps change for one code: what it is understood as and how many resources are read (used, or superseded by a later
    reading), before and after.

    `kind` is `gained`, `lost` or `otherwise` (understood as something else).
    """

    role: str
    system: str
    code: str
    display: str
    kind: str
    before: str | None
    after: str | None
    read_before: int
    read_after: int


class Contradiction(Struct, frozen=True):
    """A code that a ConceptMap of the site maps to something else than the published one does; `verified` when that mapping is verified."""

    system: str
    code: str
    published: str
    overlay: str
    verified: bool


class Effect(Struct, frozen=True):
    """What the ConceptMaps of a request change. `findings` holds the counts before and after of the concepts whose number changes."""

    changes: tuple[Change, ...]
    findings: dict[str, tuple[int, int]]
    counts_before: dict[Fate, int]
    contradictions: tuple[Contradiction, ...]

    @property
    def worse(self) -> bool:
        """Whether anything is understood or found less than without the ConceptMaps, or a verified mapping is contradicted."""
        return (
            any(change.kind != "gained" or change.read_after < change.read_before for change in self.changes)
            or any(after < before for before, after in self.findings.values())
            or any(one.verified for one in self.contradictions)
        )


def survey(documents: Iterable[tuple[int | None, Document | Refused]], request: Request) -> tuple[Survey, Effect | None]:
    """The survey of these documents with the site's ConceptMaps, and what those change; no effect without any.

    ConceptMaps come with the request or in a document's Parameters; only documents that are read with some count in the effect.
    Raises Refused when the request cannot be used.
    """
    request.options()
    request.lexicon()
    whole, before = Survey(), Survey()
    mapped = whole if request.concept_maps else Survey()
    maps: dict[bytes, None] = {}
    for number, document in documents:
        asked = whole.take(document, number, request)
        if asked.concept_maps:
            maps.update(dict.fromkeys(asked.concept_maps))
            before.take(document, number, request, bare=True)
            if mapped is not whole:
                mapped.take(document, number, request)
    return whole, effect(before, mapped, maps) if maps else None


def effect(before: Survey, after: Survey, concept_maps: Iterable[bytes]) -> Effect:
    """What changed between two surveys of the same documents."""
    changes = (_change(before.uses.get(key), use) for key, use in after.uses.items())
    found = sorted({*before.findings, *after.findings})
    counts = {code: (before.findings.get(code, 0), after.findings.get(code, 0)) for code in found}
    return Effect(
        tuple(sorted(filter(None, changes), key=lambda one: (one.kind == "gained", -one.read_after, one.system, one.code))),
        {code: pair for code, pair in counts.items() if pair[0] != pair[1]},
        before.counts,
        tuple(contradictions(concept_maps)),
    )


def _change(old: CodeUse | None, new: CodeUse) -> Change | None:
    was, before = (old.understood, _read(old)) if old else (None, 0)
    after = _read(new)
    if was == new.understood and before == after:
        return None
    lost = (was is not None and new.understood is None) or (was == new.understood and after < before)
    kind = "lost" if lost else "gained" if was is None or was == new.understood else "otherwise"
    return Change(new.role, new.system, new.code, new.display, kind, was, new.understood, before, after)


def _read(use: CodeUse) -> int:
    """How many resources were read: used, or superseded by a later reading of the same."""
    return use.fates.get("used", 0) + use.fates.get("superseded", 0)


def contradictions(concept_maps: Iterable[bytes]) -> Iterator[Contradiction]:
    """Each code that these ConceptMaps map to something else than the published ones do."""
    published = {key: targets for name in MAPS for key, targets in _exact(publication.read("ConceptMap", name))}
    for text in concept_maps:
        for key, targets in _exact(orjson.loads(text)):
            ours = published.get(key)
            if ours is not None and {said for said, _ in ours} != {said for said, _ in targets}:
                yield Contradiction(
                    key[0],
                    key[1],
                    ", ".join(said for said, _ in ours),
                    ", ".join(said for said, _ in targets) or "nothing",
                    any(comment.startswith("verified") for _, comment in ours),
                )


Targets = list[tuple[str, str]]


def _exact(concept_map: dict[str, object]) -> Iterator[tuple[tuple[str, str, str], Targets]]:
    """(source, code, target system) of each element, with its exact targets, what they fix, and their comments."""
    for group in concept_map.get("group", ()):  # type: ignore[attr-defined]
        for element in group.get("element", ()):
            targets = [
                (_said(target), target.get("comment", ""))
                for target in element.get("target", ())
                if target.get("code") and target.get("equivalence") in EQUIVALENT
            ]
            if targets:
                yield (group.get("source", ""), element["code"], group.get("target", "")), targets


def _said(target: dict[str, object]) -> str:
    fixed = target.get("product", ())
    return " ".join([str(target["code"]), *sorted(str(one["value"]) for one in fixed)])  # type: ignore[attr-defined]


def _worst(use: CodeUse) -> int:
    return min(WORST.index(fate) for fate in WORST if fate in use.fates)


__all__ = ["WORST", "Change", "Contradiction", "Effect", "Survey", "contradictions", "effect", "survey"]
