"""`sural assess`."""

import sys
from argparse import Namespace

from sural.cli.reading import are_lines, concept_maps, contents, day, refuse, saving, say, say_issues, write
from sural.doors.assessor import Answered, answer_all, documents, encode, merged, page_of, reports, structural_check
from sural.doors.request import Request
from sural.footrisk.schemes import SCHEMES
from sural.issues import Refused


def run(options: Namespace) -> int:
    """Assess every file and write the answers. A file that cannot be read does not stop the next."""
    terminal = sys.stdout.isatty()
    try:
        request = request_of(options, options.form or ("report" if terminal else "bundle"))
        request.options()
        request.lexicon()
    except Refused as refused:
        return refuse(refused.issues)
    checker = structural_check() if options.check == "structure" else None
    faulty = False
    try:
        pages: list[Answered] = []
        with saving(options.save) as saved:
            for name, data in contents(options.files):
                for answered in (
                    [Answered(request, None, data.issues)]
                    if isinstance(data, Refused)
                    else answer_all(data, request, checker, are_lines(name))
                ):
                    faulty = answered.faulty or faulty
                    if request.output == "html" and answered.assessed is not None:
                        pages.append(answered)
                    else:
                        _write(answered, terminal)
                    if saved is not None and answered.assessed is not None:
                        saved.write(encode(merged(answered)) + b"\n")
    except OSError as fault:
        if isinstance(fault, BrokenPipeError) or options.save is None:
            raise
        say(f"sural: cannot write {options.save}: {fault.strerror}")
        return 1
    if pages:
        write(page_of(pages).rstrip().encode())
    if options.save:
        say(f"FHIR answer: {options.save}")
    return 2 if faulty else 0


def request_of(options: Namespace, form: str) -> Request:
    """What the options ask for. Raises Refused for a file that cannot be read."""
    return Request(
        as_of=day(options),
        lookback=options.lookback,
        schemes=tuple(options.scheme or SCHEMES),
        pathway=options.pathway,
        calendar=options.calendar,
        complete=frozenset(options.complete),
        preliminary=options.preliminary,
        output=form,
        report=options.report,
        trace=options.trace,
        concept_maps=concept_maps(options),
    )


def _write(answered: Answered, terminal: bool) -> None:
    if answered.assessed is None:
        say_issues(answered.refused)
    elif answered.request.output == "report":
        for text in reports(answered):
            write(text.encode())
        return
    for document in documents(answered):
        write(encode(document, pretty=terminal))
