"""One call from bytes to answers, for every door: reads, checks, assesses, and writes the form that was asked for."""

from collections.abc import Iterator
from typing import Any

import msgspec
import orjson
from msgspec import Struct

from sural.answer.accounts import outcome
from sural.answer.bundle import Form, answer_bundle
from sural.answer.report import report, said_issue
from sural.answer.summary import summary
from sural.assessing import Assessed, assess_document
from sural.doors.request import Request, with_parameters
from sural.intake.documents import Checker, Document, join_lines, lines, read_document
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
    from sural.doors.structure_check import CheckedDocument

    return CheckedDocument


def answer(data: bytes, request: Request, checker: Checker | None = None) -> Answered:
    """Assess one document. Raises Refused when nothing in it can be assessed."""
    return _answer_document(read_document(data, checker), request)


def _answer_document(document: Document, request: Request) -> Answered:
    if document.parameters:
        request = with_parameters(request, document.parameters)
    return Answered(request, assess_document(document, request.options(), request.lexicon()))


def answer_all(data: bytes, request: Request, checker: Checker | None = None) -> Iterator[Answered]:
    """Assess a document, or every line of NDJSON. A line that holds a whole document is answered by itself; lines that hold single
    resources are put together and answered per patient at the end. A bad line is refused and does not stop the others."""
    single: list[tuple[int, bytes]] = []
    for number, line in lines(data):
        if number is not None and not _is_document(line):
            single.append((number, line))
            continue
        try:
            answered = answer(line, request, checker)
        except Refused as refused:
            issues = tuple(msgspec.structs.replace(issue, line=number) for issue in refused.issues)
            yield Answered(request, None, issues, number)
        else:
            yield msgspec.structs.replace(answered, line=number)
    if single:
        try:
            yield _answer_document(join_lines(single, checker), request)
        except Refused as refused:
            yield Answered(request, None, refused.issues)


class _Kind(Struct):
    resourceType: str | None = None


def _is_document(line: bytes) -> bool:
    try:
        kind = msgspec.json.decode(line, type=_Kind).resourceType
    except (msgspec.MsgspecError, RecursionError):
        return True
    return kind in ("Bundle", "Parameters", "QuestionnaireResponse") or kind is None


def documents(answered: Answered) -> Iterator[Json]:
    """The JSON documents of an answer in the form asked for: one per patient, then one for what belongs to none of them."""
    assessed = answered.assessed
    if assessed is None:
        yield outcome(answered.refused)
        return
    form = answered.request.output
    for patient in assessed.patients:
        if form == "summary":
            yield _summary(patient, answered)
        else:
            yield answer_bundle([patient], _form(answered), answered.request.trace)
    if any(assessed.rest.counts.values()):
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
    return answer_bundle(assessed.patients, _form(answered), answered.request.trace, assessed.rest)


def _form(answered: Answered) -> Form:
    return "transaction" if answered.request.output == "transaction" else "collection"


def reports(answered: Answered) -> Iterator[str]:
    """The readable reports of an answer."""
    if answered.assessed is None:
        return
    for patient in answered.assessed.patients:
        yield report(patient)
    for issue in answered.assessed.rest.issues:
        yield said_issue(issue) + "\n"


def encode(document: Json, pretty: bool = False) -> bytes:
    """JSON text of one document."""
    return orjson.dumps(document, option=orjson.OPT_INDENT_2 if pretty else None)
