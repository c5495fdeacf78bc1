"""`sural intake`: what of an extract is understood, per code, worst first."""

import sys
from argparse import Namespace
from collections.abc import Iterator
from typing import Any

import msgspec

from sural.answer.accounts import outcome
from sural.answer.report import said_issue
from sural.cli.reading import concept_maps, contents, day, say, write
from sural.doors.assessor import encode, structural_check
from sural.doors.request import lexicon
from sural.intake import read
from sural.intake.context import CodeUse
from sural.intake.documents import Document, join_lines, lines, read_document
from sural.intake.read import Reading
from sural.issues import Issue, Refused

_WORST = ("unusable", "notRelevant", "superseded", "used")


def run(options: Namespace) -> int:
    """Read every file and report per code."""
    checker = structural_check() if options.check == "structure" else None
    uses: dict[tuple[str, str, str], CodeUse] = {}
    issues: list[Issue] = []
    counts = dict.fromkeys(_WORST, 0)
    try:
        words = lexicon(concept_maps(options))
        for _, data in contents(options.files):
            for document in _documents(data, checker, issues):
                try:
                    reading = read(
                        document, words, day(options), options.lookback, frozenset(), options.preliminary, by_code=True
                    )
                except Refused as refused:
                    issues += refused.issues
                    continue
                _add(reading, uses, issues, counts)
    except Refused as refused:
        issues += refused.issues
        write(encode(outcome(issues)))
        return 2
    report = {"intake": counts, "codes": [msgspec.to_builtins(use) for use in sorted(uses.values(), key=_rank)]}
    if (options.form or ("table" if sys.stdout.isatty() else "json")) == "json":
        write(encode(report | {"issues": [_plain(issue) for issue in issues]}))
    else:
        for line in _table(uses.values(), counts):
            write(line.encode())
        for issue in issues:
            say(said_issue(issue))
    return 2 if any(issue.severity in ("error", "fatal") for issue in issues) or counts["unusable"] else 0


def _documents(data: bytes, checker: Any, issues: list[Issue]) -> Iterator[Document]:
    """Each document of the input; lines that hold single resources are one together."""
    whole = list(lines(data))
    if len(whole) > 1:
        yield join_lines([(number or 1, line) for number, line in whole], checker)
        return
    for _, line in whole:
        yield read_document(line, checker)


def _add(reading: Reading, uses: dict[tuple[str, str, str], CodeUse], issues: list[Issue], counts: dict[str, int]) -> None:
    for intake in (*(patient.intake for patient in reading.patients), reading.rest):
        issues += intake.issues
        for fate, number in intake.counts.items():
            counts[fate] += number
    for use in reading.codes:
        known = uses.setdefault((use.system, use.code, use.display), use)
        if known is not use:
            known.count += use.count
            for mine, theirs in ((known.fates, use.fates), (known.reasons, use.reasons)):
                for key, number in theirs.items():
                    mine[key] = mine.get(key, 0) + number


def _rank(use: CodeUse) -> tuple[int, int, str]:
    """Worst first: by the worst fate, then by how often."""
    worst = min(_WORST.index(fate) for fate in use.fates)
    return worst, -use.count, f"{use.system}|{use.code}"


def _plain(issue: Issue) -> dict[str, Any]:
    return {key: value for key, value in msgspec.structs.asdict(issue).items() if value} | {"severity": issue.severity}


def _table(uses: Any, counts: dict[str, int]) -> Iterator[str]:
    yield f"{'count':>6}  {'used':>5} {'supers.':>7} {'not rel.':>8} {'unusable':>8}  code  ->  understood as  (why not)"
    for use in sorted(uses, key=_rank):
        fates = use.fates
        name = " ".join(filter(None, (use.system.rsplit("/", 1)[-1], use.code, f"({use.display})" if use.display else "")))
        why = ", ".join(f"{key} {number}" for key, number in sorted(use.reasons.items()))
        yield (
            f"{use.count:>6}  {fates.get('used', 0):>5} {fates.get('superseded', 0):>7} {fates.get('notRelevant', 0):>8} "
            f"{fates.get('unusable', 0):>8}  {name}  ->  {use.understood or '-'}{f'  ({why})' if why else ''}"
        )
    yield f"{sum(counts.values())} resources: " + ", ".join(f"{fate} {counts[fate]}" for fate in reversed(_WORST))
