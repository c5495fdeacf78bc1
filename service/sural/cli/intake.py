"""`sural intake`: what of an extract, or of a record system, is understood, per code, worst first; and what a ConceptMap would change."""

import sys
from argparse import Namespace
from collections.abc import Iterable, Iterator
from typing import Any

import msgspec

from sural.cli.reading import are_lines, concept_maps, contents, day, refuse, saving, say, say_issues, write
from sural.doors.assessor import encode, structural_check
from sural.doors.request import Request
from sural.doors.starter import starter_concept_map
from sural.doors.survey import WORST, Effect, Survey, survey
from sural.intake.context import CodeUse, Fate
from sural.intake.documents import Checker, Document
from sural.intake.lines import read_all
from sural.issues import Issue, Refused

Documents = Iterator[tuple[int | None, Document | Refused]]


def run(options: Namespace) -> int:
    """Read every file and report per code. A file or line that cannot be read does not stop the others."""
    if not options.files and not options.source:
        say("sural intake: needs a FILE, or --from URL")
        return 2
    checker = structural_check() if options.check == "structure" else None
    try:
        request = Request(day(options), options.lookback, preliminary=options.preliminary, concept_maps=concept_maps(options))
        found, effect = survey(_documents(options, checker), request)
    except Refused as refused:
        found, effect = Survey(issues=list(refused.issues)), None
    if not found.read:
        return refuse(tuple(found.issues))
    try:
        with saving(options.starter) as file:
            if file is not None:
                content = starter_concept_map(found.ranked(), request.as_of.isoformat(), request.concept_maps)
                file.write(encode(content, pretty=True) + b"\n")
                say(f"starter ConceptMap: {options.starter}")
    except OSError as fault:
        say(f"sural intake: --starter-concept-map {options.starter} cannot be written: {fault.strerror}")
        return 2
    if (options.form or ("table" if sys.stdout.isatty() else "json")) == "json":
        write(encode(as_json(found, effect)))
    else:
        for line in table(found, effect):
            write(line.encode())
        say_issues(tuple(found.issues))
    return 2 if found.faulty else 0


def _documents(options: Namespace, checker: Checker | None) -> Documents:
    for name, data in contents(options.files):
        if isinstance(data, Refused):
            yield None, data
        else:
            yield from read_all(data, checker, are_lines(name))
    if options.source:
        from sural.cli.sampling import sample

        for data in sample(options):
            yield from read_all(data, checker)


def as_json(found: Survey, effect: Effect | None) -> dict[str, Any]:
    """The report as one object."""
    report: dict[str, Any] = {"intake": found.counts}
    for name, role in (("codes", "code"), ("values", "value"), ("sites", "site")):
        report[name] = [msgspec.to_builtins(use) for use in found.ranked(role)]
    report["findings"] = found.findings
    if effect is not None:
        report["effect"] = msgspec.to_builtins(effect) | {"worse": effect.worse}
    return report | {"issues": [_plain(issue) for issue in found.issues]}


def _plain(issue: Issue) -> dict[str, Any]:
    return {key: value for key, value in msgspec.structs.asdict(issue).items() if value} | {"severity": issue.severity}


def table(found: Survey, effect: Effect | None) -> Iterator[str]:
    """The report as lines for a terminal."""
    yield from _uses("code  ->  understood as  (why not)", found.ranked("code"))
    for title, role in (("coded value", "value"), ("body site", "site")):
        uses = found.ranked(role)
        if uses:
            yield ""
            yield from _uses(f"{title}  ->  understood as  (why not)", uses)
    if effect is not None:
        yield ""
        yield from _effect(effect, found.counts)
    yield ""
    yield f"{sum(found.counts.values())} resources: " + ", ".join(f"{fate} {found.counts[fate]}" for fate in reversed(WORST))


def _uses(heading: str, uses: Iterable[CodeUse]) -> Iterator[str]:
    yield f"{'count':>6}  {'used':>5} {'supers.':>7} {'not rel.':>8} {'unusable':>8}  {heading}"
    for use in uses:
        fates = use.fates
        why = ", ".join(f"{key} {number}" for key, number in sorted(use.reasons.items()))
        yield (
            f"{use.count:>6}  {fates.get('used', 0):>5} {fates.get('superseded', 0):>7} {fates.get('notRelevant', 0):>8} "
            f"{fates.get('unusable', 0):>8}  {_name(use.system, use.code, use.display)}  ->  {use.understood or '-'}{f'  ({why})' if why else ''}"
        )


def _name(system: str, code: str, display: str) -> str:
    return " ".join(filter(None, (system.rsplit("/", 1)[-1], code, f"({display})" if display else "")))


def _effect(effect: Effect, counts: dict[Fate, int]) -> Iterator[str]:
    yield "What the ConceptMaps change, before -> after:"
    for fate in reversed(WORST):
        yield f"  resources {fate}: {effect.counts_before[fate]} -> {counts[fate]}"
    for change in effect.changes:
        name = _name(change.system, change.code, change.display)
        yield (
            f"  {change.kind}: {name}: {change.before or '-'} -> {change.after or '-'}, read {change.read_before} -> {change.read_after}"
        )
    for code, (before, after) in effect.findings.items():
        yield f"  findings of {code}: {before} -> {after}"
    for one in effect.contradictions:
        known = "a verified mapping" if one.verified else "a published mapping"
        yield f"  WARNING: {one.system}|{one.code} is mapped to {one.overlay}; {known} says {one.published}"
    yield (
        "  WARNING: something is understood less than before; see lost and otherwise"
        if effect.worse
        else "  nothing is worse than before"
    )
