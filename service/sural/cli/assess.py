"""`sural assess`."""

import sys
from argparse import Namespace
from pathlib import Path

from sural.answer.accounts import outcome
from sural.answer.report import said_issue
from sural.cli.reading import concept_maps, contents, day, say, write
from sural.doors.assessor import Answered, answer_all, documents, encode, merged, reports, structural_check
from sural.doors.request import Request
from sural.footrisk.schemes import SCHEMES
from sural.issues import Refused


def run(options: Namespace) -> int:
    """Assess every file and write the answers."""
    terminal = sys.stdout.isatty()
    form = options.form or ("report" if terminal else "bundle")
    checker = structural_check() if options.check == "structure" else None
    saved: list[bytes] = []
    faulty = False
    try:
        request = Request(
            as_of=day(options),
            lookback=options.lookback,
            schemes=tuple(options.scheme or SCHEMES),
            pathway=options.pathway,
            calendar=options.calendar,
            complete=frozenset(options.complete),
            preliminary=options.preliminary,
            output=form,
            trace=options.trace,
            concept_maps=concept_maps(options),
        )
        request.options()
        for _, data in contents(options.files):
            for answered in answer_all(data, request, checker):
                faulty = answered.faulty or faulty
                _write(answered, terminal)
                if options.save and answered.assessed is not None:
                    saved.append(encode(merged(answered)))
    except Refused as refused:
        _refuse(refused)
        return 2
    if options.save:
        Path(options.save).write_bytes(b"\n".join(saved) + b"\n")
        say(f"FHIR answer: {options.save}")
    return 2 if faulty else 0


def _write(answered: Answered, terminal: bool) -> None:
    if answered.assessed is None:
        for issue in answered.refused:
            say(said_issue(issue))
    if answered.request.output == "report" and answered.assessed is not None:
        for text in reports(answered):
            write(text.encode())
        return
    for document in documents(answered):
        write(encode(document, pretty=terminal))


def _refuse(refused: Refused) -> None:
    for issue in refused.issues:
        say(said_issue(issue))
    write(encode(outcome(refused.issues)))
