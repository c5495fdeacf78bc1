"""`sural intake`: what of an extract is understood, per code, worst first."""

import sys
from argparse import Namespace
from collections.abc import Iterable, Iterator
from typing import Any

import msgspec
from msgspec import Struct

from sural.answer.accounts import outcome
from sural.cli.reading import are_lines, concept_maps, contents, day, say_issues, write
from sural.doors.assessor import encode, structural_check
from sural.doors.request import Request, with_parameters
from sural.intake import read
from sural.intake.context import CodeUse
from sural.intake.documents import Document
from sural.intake.lines import read_all
from sural.intake.read import Reading
from sural.issues import Issue, Refused

_WORST = ("unusable", "notRelevant", "superseded", "used")


class _Tally(Struct):
    """What has been understood of all documents so far."""

    uses: dict[tuple[str, str, str], CodeUse] = {}
    issues: list[Issue] = []
    counts: dict[str, int] = msgspec.field(default_factory=lambda: dict.fromkeys(_WORST, 0))
    read: int = 0


def run(options: Namespace) -> int:
    """Read every file and report per code. A file or line that cannot be read does not stop the others."""
    tally = _Tally()
    checker = structural_check() if options.check == "structure" else None
    try:
        request = Request(day(options), options.lookback, preliminary=options.preliminary, concept_maps=concept_maps(options))
        request.options()
        request.lexicon()
        for name, data in contents(options.files):
            if isinstance(data, Refused):
                tally.issues += data.issues
                continue
            for number, document in read_all(data, checker, are_lines(name)):
                _read(document, number, request, tally)
    except Refused as refused:
        tally.issues += refused.issues
    if not tally.read:
        say_issues(tuple(tally.issues))
        write(encode(outcome(tally.issues)))
        return 2
    _report(tally, options.form or ("table" if sys.stdout.isatty() else "json"))
    return 2 if any(issue.severity in ("error", "fatal") for issue in tally.issues) or tally.counts["unusable"] else 0


def _read(document: Document | Refused, number: int | None, request: Request, tally: _Tally) -> None:
    """Count one document in."""
    try:
        if isinstance(document, Refused):
            raise document
        asked = with_parameters(request, document.parameters)
        reading = read(document, asked.lexicon(), asked.as_of, asked.lookback, asked.complete, asked.preliminary, by_code=True)
    except Refused as refused:
        tally.issues += [msgspec.structs.replace(issue, line=issue.line or number) for issue in refused.issues]
        return
    tally.read += 1
    _add(reading, tally, number)


def _add(reading: Reading, tally: _Tally, number: int | None) -> None:
    for intake in (*(patient.intake for patient in reading.patients), reading.rest):
        tally.issues += [msgspec.structs.replace(issue, line=issue.line or number) for issue in intake.issues]
        for fate, count in intake.counts.items():
            tally.counts[fate] += count
    for use in reading.codes:
        known = tally.uses.setdefault((use.system, use.code, use.display), use)
        if known is not use:
            known.count += use.count
            for mine, theirs in ((known.fates, use.fates), (known.reasons, use.reasons)):
                for key, count in theirs.items():
                    mine[key] = mine.get(key, 0) + count


def _report(tally: _Tally, form: str) -> None:
    uses = sorted(tally.uses.values(), key=_rank)
    if form == "json":
        report = {"intake": tally.counts, "codes": [msgspec.to_builtins(use) for use in uses]}
        write(encode(report | {"issues": [_plain(issue) for issue in tally.issues]}))
        return
    for line in _table(uses, tally.counts):
        write(line.encode())
    say_issues(tuple(tally.issues))


def _rank(use: CodeUse) -> tuple[int, int, str]:
    """Worst first: by the worst fate, then by how often."""
    worst = min(_WORST.index(fate) for fate in use.fates)
    return worst, -use.count, f"{use.system}|{use.code}"


def _plain(issue: Issue) -> dict[str, Any]:
    return {key: value for key, value in msgspec.structs.asdict(issue).items() if value} | {"severity": issue.severity}


def _table(uses: Iterable[CodeUse], counts: dict[str, int]) -> Iterator[str]:
    yield f"{'count':>6}  {'used':>5} {'supers.':>7} {'not rel.':>8} {'unusable':>8}  code  ->  understood as  (why not)"
    for use in uses:
        fates = use.fates
        name = " ".join(filter(None, (use.system.rsplit("/", 1)[-1], use.code, f"({use.display})" if use.display else "")))
        why = ", ".join(f"{key} {number}" for key, number in sorted(use.reasons.items()))
        yield (
            f"{use.count:>6}  {fates.get('used', 0):>5} {fates.get('superseded', 0):>7} {fates.get('notRelevant', 0):>8} "
            f"{fates.get('unusable', 0):>8}  {name}  ->  {use.understood or '-'}{f'  ({why})' if why else ''}"
        )
    yield f"{sum(counts.values())} resources: " + ", ".join(f"{fate} {counts[fate]}" for fate in reversed(_WORST))
