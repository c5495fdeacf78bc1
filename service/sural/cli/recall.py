"""`sural recall`: who is to be examined again, from a ledger or from a run over a population; a table, CSV, or FHIR on standard output."""

import sys
from argparse import Namespace
from collections.abc import Iterable, Iterator
from datetime import date
from pathlib import Path

from sural.answer.accounts import outcome
from sural.answer.wording import CAUTIONS, in_sentence
from sural.cli.reading import say, write
from sural.cohort.known import NoAnswers, Run
from sural.doors.assessor import encode
from sural.issues import Issue
from sural.ledger.database import Unavailable, is_there
from sural.ledger.knowing import Knowing
from sural.ledger.recalling import entries
from sural.ledger.store import Ledger
from sural.plan.pathway import SERVICES
from sural.recall.definitions import REASONS, REMARKS
from sural.recall.issues import detected_issues
from sural.recall.listing import Wanted, listed_of, sorted_by_urgency
from sural.recall.person import Entry, Known, Referral
from sural.recall.words import (
    NOT_SETTLED,
    csv_lines,
    said_category,
    said_change,
    said_floor,
    said_referral,
    said_settle,
    said_states,
)

DATABASE = "sqlite:///sural-ledger.sqlite"
NOBODY = (
    "sural recall: nobody is known in this ledger. sural pull --store fills it; where a pull went before without --store, once with "
    "--since 1900-01-01T00:00:00Z"
)


def run(options: Namespace) -> int:
    """List. Exit status 0: listed, whoever is on the list; 1: the database does not answer; 2: it, a run, a service or a source cannot be used."""
    try:
        return _list(options)
    except Unavailable as fault:
        say(f"sural recall: {fault}")
        write(encode(outcome([Issue("ledger-unavailable")])))
        return 1


def _list(options: Namespace) -> int:
    as_of = options.as_of or date.today()
    wanted = Wanted(as_of, tuple(options.state), tuple(options.service), (options.source or "").rstrip("/"))
    if unknown := sorted(set(wanted.services) - SERVICES.keys()):
        return _refuse(f"no such service: {', '.join(unknown)}; there are {', '.join(SERVICES)}", "service")
    try:
        if options.run_folder is not None:
            return _of_run(options.run_folder, wanted, options.form)
        return _of_ledger(options.database or DATABASE, wanted, options.form)
    except NoAnswers as fault:
        return _refuse(str(fault), "run")
    except Unavailable:
        raise
    except ValueError as fault:
        return _refuse(str(fault), "database")


def _of_ledger(url: str, wanted: Wanted, form: str | None) -> int:
    if not is_there(url):
        raise ValueError(f"there is no such ledger: {url}; name it with --database, or fill one with sural pull --store")
    knowing = Knowing(Ledger(url))
    people = knowing.count()
    if people and wanted.source and not knowing.has_source(wanted.source):
        return _refuse("nobody is known from this record system; --source is what stands before /Patient/ in the references of the list", "source")
    listed = _write(entries(knowing, wanted), wanted.as_of, form)
    if not people:
        say(NOBODY)
    return _ended(listed, people, wanted.as_of)


def _of_run(folder: str, wanted: Wanted, form: str | None) -> int:
    """A run keeps nothing of earlier lists: Tasks and Encounters that follow its proposals are not known."""
    if wanted.source:
        return _refuse("a run keeps references as its files have them: --source is for a ledger", "source")
    run = Run(Path(folder))
    people = 0

    def counted() -> Iterator[Known]:
        nonlocal people
        for one in run.known():
            people += 1
            yield one

    listed = _write(listed_of(counted(), wanted), wanted.as_of, form)
    say(f"sural recall: this run read no findings from before {run.account.earliest}: who was examined last before that day is on the list as never examined")
    if nothing := run.account.patients["nothing to assess"]:
        say(f"sural recall: {nothing} people of the input had nothing to assess and are not on the list")
    return _ended(listed, people, wanted.as_of)


def _write(found: Iterable[Entry], as_of: date, form: str | None) -> int:
    """Write a list; how many people are on it."""
    form = form or ("table" if sys.stdout.isatty() else "csv")
    if form == "fhir":
        return _fhir(found, as_of)
    ordered = sorted_by_urgency(found)
    if form == "csv":
        for line in csv_lines(ordered, as_of):
            sys.stdout.write(line)
    else:
        _table(ordered, as_of)
    return len(ordered)


def _ended(listed: int, people: int, as_of: date) -> int:
    say(f"{listed} of {people} known people on the list as of {as_of.isoformat()}. {CAUTIONS[0]}")
    return 0


def _refuse(text: str, name: str) -> int:
    say(f"sural recall: {text}")
    write(encode(outcome([Issue("parameter-invalid", name)])))
    return 2


def _fhir(found: Iterable[Entry], as_of: date) -> int:
    """A Bundle, written as it comes, so that a list of any length takes no memory; how many people are in it."""
    sys.stdout.write('{"resourceType":"Bundle","type":"collection"')
    people, first = 0, True
    for entry in found:
        people += 1
        for issue in detected_issues(entry, as_of):
            sys.stdout.write(',"entry":[' if first else ",")
            sys.stdout.write(encode({"resource": issue}).decode())
            first = False
    sys.stdout.write("}\n" if first else "]}\n")
    return people


def _table(found: list[Entry], as_of: date) -> None:
    """For reading: one person after the other, with what there is to do below."""
    for entry in found:
        print(f"{said_states(entry).upper()}  {entry.subject}")
        for line in _below(entry, as_of):
            print(f"    {line}")


def _below(entry: Entry, as_of: date) -> Iterable[str]:
    yield from (f"{_by(one)}: {said_referral(one)}" for one in entry.referrals)
    examined = f"feet examined {entry.examined.isoformat()}" if entry.examined else "feet never examined"
    days = entry.overdue_days(as_of)
    review = f"; review {entry.due[0].isoformat()} to {entry.due[1].isoformat()}" if entry.due else ""
    yield f"{examined}{review}{f', {days} days overdue' if days else ''}"
    if entry.at_least:
        least, most = said_floor(entry), said_category(entry.scheme, entry.at_most)
        before = f"; {in_sentence(said_category(entry.scheme, entry.not_ruled_out))} before, and not ruled out" if entry.not_ruled_out else ""
        yield least if entry.settled else f"{'' if least == NOT_SETTLED else 'at least '}{in_sentence(least)}, could be {in_sentence(most)}{before}"
    if entry.would_settle:
        yield f"examine to settle: {said_settle(entry)}"
    told = (
        "never-examined", "examination-withdrawn", "feet-not-examined", "complete-the-examination", "treating-service-sets-review",
        "not-stratified", *REMARKS,
    )  # fmt: skip
    yield from (REASONS[reason].display for reason in entry.reasons if reason in told)
    yield from (f"worse: {said_change(one)}" for one in entry.changes)


def _by(one: Referral) -> str:
    return f"by {one.due.isoformat()}" if one.due else "not dated"
