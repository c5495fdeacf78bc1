"""Known people for tests of recall: facts read off real answers to examinations, as the ledger reads them."""

from datetime import date, timedelta
from typing import Any

from sural.recall.facts import Answered, Fact, Proposed, Reached, fact_of
from sural.recall.person import Entry, Known, judge
from tests.asking import answer_of
from tests.builders import Exam, Json

DAY = date(2026, 3, 1)
SUBJECT = "Patient/p1"


def on(exam: Exam, day: date) -> Exam:
    """The examination on a day."""
    for entry in exam.entries:
        if entry["resource"]["resourceType"] == "Observation":
            entry["resource"]["effectiveDateTime"] = f"{day.isoformat()}T09:30:00+00:00"
    return exam


def numb(patient: str = "p1") -> Exam:
    """Loss of protective sensation on the left, everything else examined and well: moderate risk."""
    exam = Exam(patient).not_felt("left").felt("right").pulses("both").nothing_active().no_history().kidneys_well()
    return exam.see("callus", "absent", "both").see("foot-deformity", "absent", "both")


def high(patient: str = "p1") -> Exam:
    """An earlier ulcer: high risk."""
    exam = Exam(patient).felt("both").pulses("both").nothing_active().kidneys_well()
    exam.see("previous-foot-ulcer", "present", "left").see("previous-foot-ulcer", "absent", "right")
    exam.see("amputation", "none", "both").see("charcot-history", "absent", "both")
    return exam.see("callus", "absent", "both").see("foot-deformity", "absent", "both")


def ulcer(patient: str = "p1") -> Exam:
    """A foot ulcer: an active problem."""
    return Exam(patient).felt("both").pulses("both").see("foot-ulcer", "present", "left").no_history().kidneys_well()


def facts(exam: Exam, day: date = DAY, status: str = "", as_of: date | None = None) -> list[Fact]:
    """The facts of the stored answer to an examination; with another status, where one is given."""
    answer = answer_of(on(exam, day), (as_of or day).isoformat(), transaction=True)
    return facts_of(answer, status)


def facts_of(answer: Json, status: str = "") -> list[Fact]:
    found = []
    for entry in answer["entry"]:
        resource: dict[str, Any] = {**entry["resource"], "id": entry["fullUrl"].rpartition(":")[2]}
        if status and resource["resourceType"] == "Observation":
            resource["status"] = status
        fact = fact_of(resource)
        if fact is not None:
            found.append(fact)
    assert {Answered, Reached} <= {type(one) for one in found}
    return found


def proposal(status: str = "active", due: str | None = "2026-03-20", service: str = "foot-protection-service", priority: str = "routine") -> Proposed:
    return Proposed("ServiceRequest/r1", status, service, priority, due)


def known(*found: Fact, remark: str = "") -> Known:
    return Known(SUBJECT, tuple(found), remark)


def after_days(exam: Exam, days: int, more: tuple[Fact, ...] = ()) -> Entry:
    """The entry so many days after the examination; without the proposals of the answer."""
    found = [one for one in facts(exam) if not isinstance(one, Proposed)]
    return judge(known(*found, *more), DAY + timedelta(days=days))
