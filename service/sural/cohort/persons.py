"""One patient's lines assessed: the same for every engine, and the same answer as a single call gives for the same resources.

The resources go into one collection Bundle in the order of their texts, so that the order of files and lines changes nothing. Lines that
are no JSON are read line by line instead, as `sural assess` reads them: what came of them stays unknown in the answer.
"""

from collections import Counter
from collections.abc import Iterable, Sequence
from operator import itemgetter
from typing import Any

import msgspec
import orjson
from msgspec import Struct, field

from sural.answer.identity import ANSWER_SYSTEM
from sural.assessing import Assessed, assess_document
from sural.cohort.grouping import Row
from sural.cohort.lines import Role
from sural.cohort.tally import Tally, count
from sural.doors.assessor import Answered, documents, encode, structural_check
from sural.doors.request import Request
from sural.intake.documents import MAX_ENTRIES, Checker, Document, join_lines, read_document
from sural.intake.read import Intake
from sural.issues import KINDS, Issue, Refused

_BEFORE, _BETWEEN, _AFTER = b'{"resourceType":"Bundle","type":"collection","entry":[{"resource":', b'},{"resource":', b"}]}"
_OURS = ANSWER_SYSTEM.encode()
_NONE = Intake((), {})
_text = itemgetter(4)
_EARLIER = int(Role.EARLIER)
_UNUSABLE = frozenset({"status-not-usable", "preliminary", "diagnosis-unconfirmed"})
"""Warnings that say that a resource cannot be used; errors say so by themselves."""


class Order(Struct, frozen=True):
    """What is wanted: how to assess, whether the answers are written besides the summaries, what the files are called, and whether every
    resource is checked against the FHIR models."""

    request: Request
    answers: bool
    files: tuple[str, ...]
    check: bool = False


class Outcome(Struct):
    """What came of some patients, as lines to be written, and what is counted of them."""

    answers: list[bytes] = []
    summaries: list[bytes] = []
    rejects: list[bytes] = []
    tally: Tally = field(default_factory=Counter)


class Assessor:
    """Assesses patients one by one; `starts` as in Grouped. Raises Refused for an order that cannot be carried out."""

    def __init__(self, order: Order, starts: Sequence[tuple[int, int]] = ()) -> None:
        self.order = order
        self._starts = starts
        self._options = order.request.options()
        self._lexicon = order.request.lexicon()
        self._checker = structural_check() if order.check else None
        self._summarising = msgspec.structs.replace(order.request, output="summary")

    def assess(self, key: str, rows: Iterable[Row], outcome: Outcome) -> None:
        """Assess the patient with this id."""
        before: dict[str, dict[str, Any]] = {}
        lines = []
        for row in sorted(rows, key=_text):
            if row[3] == _EARLIER:
                if (summary := _earlier(row[4])) is not None:
                    before[str(summary.get("subject"))] = summary
            else:
                lines.append(row)
        joined, ours = _BETWEEN.join(map(_text, lines)), 0
        if _OURS in joined:  # sought in all lines at once
            others = [row for row in lines if not _is_ours(row[4])]
            joined, ours, lines = _BETWEEN.join(map(_text, others)), len(lines) - len(others), others
        tally = outcome.tally
        tally["people"] += 1
        tally["lines|notRelevant"] += ours
        if not lines:
            if before and not ours:
                tally["since|not-in-this-input"] += len(before)
            else:
                tally["patients|nothing"] += 1
            return
        try:
            document = _document(joined, lines, self._checker)
            assessed = assess_document(document, self._options, self._lexicon)
        except Refused as refused:
            tally["patients|refused"] += 1
            tally["lines|refused"] += len(lines)
            self._reject(f"Patient/{key}", lines, refused.issues, outcome)
            return
        self._account(assessed, lines, tally)
        alone_now = len(assessed.patients) == len(before) == 1
        for patient in assessed.patients:
            alone = Answered(self._summarising, Assessed((patient,), _NONE))
            (summary,) = documents(alone)
            outcome.summaries.append(encode(summary))
            if self.order.answers:
                outcome.answers += map(encode, documents(msgspec.structs.replace(alone, request=self.order.request)))
            count(tally, patient, summary, before.popitem()[1] if alone_now else before.pop(summary["subject"], None))
            if patient.intake.counts["unusable"]:
                self._reject(summary["subject"], lines, filter(_speaks_against, patient.intake.issues), outcome)
        if before:
            tally["since|not-in-this-input"] += len(before)
        self._reject(None, lines, filter(_speaks_against, assessed.rest.issues), outcome)

    def assess_nobody(self, rows: Iterable[Row], outcome: Outcome) -> None:
        """Account for lines of which no patient can be told."""
        for row in rows:
            issue = judge_line(row[4])
            outcome.tally["lines|rejected"] += 1
            outcome.tally[f"reject|{issue.key}"] += 1
            outcome.rejects.append(reject(issue, *self._place(row)))

    def _account(self, assessed: Assessed, lines: list[Row], tally: Tally) -> None:
        """What became of each line, and how many resources inside others were counted besides."""
        counts: Counter[str] = Counter()
        for intake in (*(patient.intake for patient in assessed.patients), assessed.rest):
            counts.update(intake.counts)
        tally["lines|contained"] += sum(counts.values()) - len(lines)
        for fate, number in counts.items():
            tally[f"lines|{fate}"] += number

    def _reject(self, subject: str | None, lines: list[Row], issues: Iterable[Issue], outcome: Outcome) -> None:
        """One line for each resource that an issue speaks against; the first issue of a resource stands for it."""
        seen = set()
        for issue in issues:
            position, expression = _position(issue)
            if position in seen:
                continue
            seen.add(position)
            file, number = self._place(lines[position]) if position is not None and position < len(lines) else (None, None)
            outcome.tally[f"reject|{issue.key}"] += 1
            outcome.rejects.append(reject(issue, file, number, subject, expression))

    def _place(self, row: Row) -> tuple[str, int]:
        """The name of the file in which a line stands, and its number."""
        file, first = self._starts[row[1]]
        return self.order.files[file], first + row[2]


def reject(issue: Issue, file: str | None, line: int | None, subject: str | None = None, expression: str = "") -> bytes:
    """One line of rejects.ndjson."""
    content: dict[str, Any] = {"file": file, "line": line, "reason": issue.key, "text": KINDS[issue.key].text}
    if subject:
        content["subject"] = subject
    if expression:
        content["expression"] = expression
    return orjson.dumps(content)


def judge_line(body: bytes) -> Issue:
    """Why a line reaches no patient."""
    try:
        document = read_document(body)
    except Refused as refused:
        return refused.issues[0]
    if not document.items or document.items[0].path != document.items[0].type:  # a Bundle or Parameters in a line
        return Issue("resource-type-unsupported")
    if document.issues:
        return document.issues[0]
    named = getattr(document.items[0].record, "subject", None)
    return Issue("subject-missing" if named is None else "subject-not-patient")


def _document(joined: bytes, lines: list[Row], checker: Checker | None) -> Document:
    """The resources of some lines as one document, which are joined already. Raises Refused when there are too many."""
    if len(lines) > MAX_ENTRIES:
        raise Refused(Issue("too-many-entries", diagnostics=f"limit: {MAX_ENTRIES}"))
    try:
        document = read_document(_BEFORE + joined + _AFTER, checker)
    except Refused:
        document = None
    if document is not None and len(document.items) == len(lines):
        return document
    return join_lines(list(enumerate(map(_text, lines), 1)), checker)


def _is_ours(body: bytes) -> bool:
    """Whether a resource carries the identifier of an answer: our own answers are no evidence for the next."""
    if _OURS not in body:
        return False
    try:
        resource = orjson.loads(body)
        identifiers = resource.get("identifier", ())
        tags = resource.get("meta", {}).get("tag", ())
        return any(one.get("system") == ANSWER_SYSTEM for one in (*identifiers, *tags))
    except (orjson.JSONDecodeError, AttributeError, TypeError):
        return False


def _earlier(line: bytes) -> dict[str, Any] | None:
    """An earlier summary; None for a line that is none."""
    try:
        found = orjson.loads(line)
    except orjson.JSONDecodeError:
        return None
    return found if isinstance(found, dict) else None


def _speaks_against(issue: Issue) -> bool:
    return issue.severity in ("error", "fatal") or issue.key in _UNUSABLE


def _position(issue: Issue) -> tuple[int | None, str]:
    """Which line of the patient's an issue is about, and where in the resource."""
    if issue.line is not None:
        return issue.line - 1, issue.expression
    before, _, rest = issue.expression.partition("].resource")
    if before.startswith("Bundle.entry[") and before[13:].isdecimal():
        return int(before[13:]), f"{rest.removeprefix('.')}"
    return None, issue.expression
