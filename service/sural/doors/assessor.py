"""One call from bytes to answers, for every door: reads, checks, assesses, and writes the form that was asked for."""

from collections.abc import Iterable, Iterator
from typing import Any

import msgspec
import orjson
from msgspec import Struct

from sural.answer.accounts import outcome
from sural.answer.assessment import Assessment
from sural.answer.bundle import Form, answer_bundle
from sural.answer.report import report, said_issue
from sural.answer.summary import summary
from sural.assessing import Assessed, assess_document
from sural.doors.request import Request, with_parameters
from sural.intake.documents import Checker, Document, read_document
from sural.intake.lines import read_all
from sural.intake.read import Intake
from sural.issues import Issue, Refused

Json = dict[str, Any]


class Answered(Struct, frozen=True):
    """One document's result: what was assessed, or the issues it was refused for; the request as its Parameters changed it."""

    request: Request
    assessed: Assessed | None
    refused: tuple[Issue, ...] = ()
    line: int | None = None

    @property
    def faulty(self) -> bool:
        """Whether any input could not be used."""
        if self.assessed is None:
            return True
        intakes = [*(patient.intake for patient in self.assessed.patients), self.assessed.rest]
        return any(
            intake.counts.get("unusable") or any(i.severity in ("error", "fatal") for i in intake.issues) for intake in intakes
        )


def structural_check() -> Checker:
    """The checker of the doors; loading its models takes a moment, so it is only loaded when it is wanted."""
    from sural.doors.structure_check import check

    return check


def answer(data: bytes, request: Request, checker: Checker | None = None) -> Answered:
    """Assess one document. Raises Refused when nothing in it can be assessed."""
    return _answer_document(read_document(data, checker), request)


def _answer_document(document: Document, request: Request) -> Answered:
    if document.parameters:
        request = with_parameters(request, document.parameters)
    return Answered(request, assess_document(document, request.options(), request.lexicon()))


def answer_all(data: bytes, request: Request, checker: Checker | None = None, declared: bool = False) -> Iterator[Answered]:
    """Assess a document, or every line of NDJSON (`declared` when the sender calls it so). A line that holds a whole document is answered by
    itself; lines that hold single resources are put together and answered per patient at the end. A bad line is refused and does not stop
    the others."""
    for number, document in read_all(data, checker, declared):
        if isinstance(document, Refused):
            yield Answered(request, None, document.issues, number)
            continue
        try:
            answered = _answer_document(document, request)
        except Refused as refused:
            yield Answered(request, None, tuple(_on_line(issue, number) for issue in refused.issues), number)
        else:
            yield msgspec.structs.replace(answered, line=number)


def _on_line(issue: Issue, number: int | None) -> Issue:
    return msgspec.structs.replace(issue, line=issue.line or number)


def documents(answered: Answered) -> Iterator[Json]:
    """The JSON documents of an answer in the form asked for: one per patient, then one for what belongs to none of them.

    Summaries are one per patient and nothing else, unless there is something to say of what belongs to none.
    """
    assessed = answered.assessed
    if assessed is None:
        yield outcome(answered.refused)
        return
    form = answered.request.output
    for patient in assessed.patients:
        if form == "summary":
            yield _summary(patient, answered)
        else:
            yield _bundle([patient], answered)
    if assessed.rest.issues or (form != "summary" and any(assessed.rest.counts.values())):
        yield outcome(assessed.rest.issues, assessed.rest.counts)


def _summary(patient: Any, answered: Answered) -> Json:
    """The summary of one patient; with an OperationOutcome inside when some of the input could not be used."""
    content = summary(patient)
    if answered.request.trace:
        from sural.answer.trace import trace

        content["trace"] = trace(patient)
    if patient.intake.counts["unusable"]:
        content["outcome"] = outcome(patient.intake.issues)
    return content


def merged(answered: Answered) -> Json:
    """The answer as one Bundle over all patients of the document."""
    assessed = answered.assessed
    assert assessed is not None
    return _bundle(assessed.patients, answered, assessed.rest)


def _bundle(patients: Iterable[Assessment], answered: Answered, rest: Intake | None = None) -> Json:
    request = answered.request
    form: Form = "transaction" if request.output == "transaction" else "collection"
    return answer_bundle(patients, form, request.trace, rest, request.report == "picture", request.report != "none")


def transactions(answered: Answered) -> Iterator[Json]:
    """One transaction per patient, to write back."""
    if answered.assessed is not None:
        request = answered.request
        for patient in answered.assessed.patients:
            yield answer_bundle([patient], "transaction", pictured=request.report == "picture", reported=request.report != "none")


def page_of(answers: Iterable[Answered]) -> str:
    """The readable page over every patient of the answers; empty when nothing was assessed."""
    from sural.answer.page import page

    patients = [patient for answered in answers if answered.assessed is not None for patient in answered.assessed.patients]
    return page(*patients) if patients else ""


def reports(answered: Answered) -> Iterator[str]:
    """The readable reports of an answer, and what is to be said of what belongs to none of its patients."""
    issues = answered.refused
    if answered.assessed is not None:
        issues = answered.assessed.rest.issues
        for patient in answered.assessed.patients:
            yield report(patient)
    if issues:
        yield "".join(said(issue) + "\n" for issue in issues)


def said(issue: Issue) -> str:
    """One issue in words, with the line that it stands in."""
    return f"line {issue.line}: {said_issue(issue)}" if issue.line else said_issue(issue)


def encode(document: Json, pretty: bool = False) -> bytes:
    """JSON text of one document."""
    return orjson.dumps(document, option=orjson.OPT_INDENT_2 if pretty else None)
