"""Autonomic involvement: orthostatic fall, cardiovascular tests against age, the stage they give, and what symptoms only suggest."""

from datetime import timedelta
from decimal import Decimal

from msgspec import Struct

from sural.exam.examination import Examination
from sural.exam.finding import Finding
from sural.exam.moment import Moment
from sural.neuropathy.sources import EI_BY_AGE, EWING, FREEMAN, SPALLONE, memory, practice, seen

SYSTOLIC_FALL, DIASTOLIC_FALL, SUPINE_SYSTOLIC_FALL = Decimal(20), Decimal(10), Decimal(30)
SUPINE_SYSTOLIC, SUPINE_DIASTOLIC = Decimal(150), Decimal(90)
WITHIN_MINUTES = Decimal(3)
RESTING_TACHYCARDIA = Decimal(100)
ORTHOSTATIC = seen(FREEMAN, "20/10 mmHg within 3 minutes; 30 mmHg in supine hypertension (secondary)")
STAGES = seen(SPALLONE, "abstract")
LIMITS = seen(EWING, "normal, borderline, abnormal")
AGE_LIMITS = seen(EI_BY_AGE, "lowest normal ratio by age")
TACHYCARDIA = seen("secondary page", "resting heart rate above 100/min")
SUPINE_LIMIT = memory(FREEMAN, "supine hypertension from 150/90 mmHg")
SYMPTOMS = practice("symptoms suggest, tests decide")

# code: (normal from, abnormal up to)
_EWING = {
    "valsalva-ratio": (Decimal("1.21"), Decimal("1.10")),
    "heart-rate-breathing-difference": (Decimal(15), Decimal(10)),
    "heart-rate-30-15-ratio": (Decimal("1.04"), Decimal("1.00")),
    "handgrip-diastolic-rise": (Decimal(16), Decimal(10)),
}
_HEART_RATE_TESTS = ("heart-rate-breathing-difference", "heart-rate-30-15-ratio", "valsalva-ratio")
_EI_LIMITS = (
    (20, "1.17"), (25, "1.15"), (30, "1.13"), (35, "1.12"), (40, "1.10"), (45, "1.08"), (50, "1.07"), (55, "1.06"), (60, "1.04"),
    (65, "1.03"), (70, "1.02"),
)  # fmt: skip
_OLDEST = 75
SUSPECTED = {
    "postural-dizziness": "postural-dizziness-suspected",
    "early-satiety-vomiting": "gastroparesis-suspected",
    "bowel-disturbance": "bowel-involvement-suspected",
    "bladder-disturbance": "bladder-involvement-suspected",
    "erectile-dysfunction": "erectile-involvement-suspected",
    "sweating-change": "sudomotor-involvement-suspected",
}
CODES: dict[str, str] = {
    "orthostatic-hypotension": "Orthostatic hypotension: a fall of 20 systolic or 10 diastolic within 3 minutes of standing",
    "delayed-orthostatic-hypotension": "Such a fall only after 3 minutes of standing",
    "orthostatic-fall-time-not-stated": "Such a fall; the minutes of standing were not stated",
    "fall-below-30-in-supine-hypertension": "Supine hypertension, where a fall of 30 may be the better criterion: it is not reached",
    "cardiac-autonomic-possible": "One abnormal heart-rate test: possible or early cardiac autonomic neuropathy",
    "cardiac-autonomic-definite": "Two or more abnormal heart-rate tests: definite cardiac autonomic neuropathy",
    "cardiac-autonomic-severe": "Abnormal heart-rate tests with orthostatic hypotension: severe or advanced cardiac autonomic neuropathy",
    "cardiac-autonomic-not-excluded": "Fewer than two heart-rate tests were done: cardiac autonomic neuropathy is not excluded",
    "resting-tachycardia": "Resting heart rate above 100 per minute",
    "postural-dizziness-suspected": "Postural dizziness: suspected only",
    "gastroparesis-suspected": "Early satiety or vomiting: gastroparesis suspected only",
    "bowel-involvement-suspected": "Bowel disturbance: suspected only",
    "bladder-involvement-suspected": "Bladder disturbance: suspected only",
    "erectile-involvement-suspected": "Erectile dysfunction: suspected only",
    "sudomotor-involvement-suspected": "Change in sweating: suspected only",
}


class Autonomic(Struct, frozen=True):
    """Codes of what was found, the class of each test, and the findings that are abnormal as such (not symptoms)."""

    codes: tuple[str, ...]
    tests: dict[str, str]
    abnormal: tuple[Finding, ...]


def autonomic(exam: Examination) -> Autonomic:
    """All autonomic findings of one examination."""
    person = exam.person
    if not any(code in person for code in _CONCEPTS):
        return _NOTHING
    tests = {code: verdict for code in (*_EWING, "expiration-inspiration-ratio") if (verdict := classify(exam, code))}
    codes, abnormal = _orthostatic(exam)
    codes += _stage(tests, "orthostatic-hypotension" in codes)
    abnormal += tuple(person[code] for code, verdict in tests.items() if verdict == "abnormal")
    rate = person.get("heart-rate-resting")
    if rate is not None and rate.number > RESTING_TACHYCARDIA:
        codes.append("resting-tachycardia")
    codes += [code for symptom, code in SUSPECTED.items() if symptom in person and person[symptom].value == "present"]
    return Autonomic(tuple(codes), tests, abnormal)


_CONCEPTS = frozenset(
    {*_EWING, *SUSPECTED, "expiration-inspiration-ratio", "heart-rate-resting", "blood-pressure-lying", "blood-pressure-standing"}
)
_NOTHING = Autonomic((), {}, ())


def classify(exam: Examination, code: str) -> str | None:
    """normal, borderline or abnormal for one test; None when it was not done or the age has no limit."""
    number = exam.number(code)
    if number is None:
        return None
    if code == "expiration-inspiration-ratio":
        limit = ei_limit(exam.subject.age_from)
        return None if limit is None else "normal" if number >= limit else "abnormal"
    normal, abnormal = _EWING[code]
    return "normal" if number >= normal else "abnormal" if number <= abnormal else "borderline"


def ei_limit(age: int | None) -> Decimal | None:
    """The lowest normal expiration to inspiration ratio of an age; none below 20 or above 75."""
    if age is None or not _EI_LIMITS[0][0] <= age <= _OLDEST:
        return None
    return Decimal(next(limit for start, limit in reversed(_EI_LIMITS) if age >= start))


def _stage(tests: dict[str, str], orthostatic: bool) -> list[str]:
    """Stage from the heart-rate tests that were done; deep breathing counts once, by difference or by ratio."""
    verdicts = [tests[code] for code in _HEART_RATE_TESTS if code in tests]
    ratio = tests.get("expiration-inspiration-ratio")
    if ratio and "heart-rate-breathing-difference" not in tests:
        verdicts.append(ratio)
    abnormal = verdicts.count("abnormal")
    if abnormal and orthostatic:
        return ["cardiac-autonomic-severe"]
    if abnormal:
        return ["cardiac-autonomic-definite" if abnormal >= 2 else "cardiac-autonomic-possible"]
    return ["cardiac-autonomic-not-excluded"] if len(verdicts) == 1 else []


def _orthostatic(exam: Examination) -> tuple[list[str], tuple[Finding, ...]]:
    lying = exam.person.get("blood-pressure-lying")
    if lying is None:
        return [], ()
    standing = exam.series.get("blood-pressure-standing") or [
        reading for reading in (exam.person.get("blood-pressure-standing"),) if reading is not None
    ]
    codes: list[str] = []
    found: tuple[Finding, ...] = ()
    for reading in standing:
        if not _same_day(lying, reading) or not _falls(lying, reading, SYSTOLIC_FALL):
            continue
        minutes = minutes_standing(lying, reading)
        if minutes is None:
            code = "orthostatic-fall-time-not-stated"
        else:
            code = "orthostatic-hypotension" if minutes <= WITHIN_MINUTES else "delayed-orthostatic-hypotension"
        codes.append(code)
        found += (lying, reading)
        if _supine_hypertension(lying) and not _systolic_fall(lying, reading) >= SUPINE_SYSTOLIC_FALL:
            codes.append("fall-below-30-in-supine-hypertension")
    if "orthostatic-hypotension" in codes:
        codes = [code for code in codes if code != "delayed-orthostatic-hypotension"]
    return list(dict.fromkeys(codes)), tuple(dict.fromkeys(found))


def _pressure(reading: Finding, which: str) -> Decimal | None:
    value = reading.detail(which)
    return value if isinstance(value, Decimal) else None


def _systolic_fall(lying: Finding, standing: Finding) -> Decimal:
    down, up = _pressure(lying, "systolic"), _pressure(standing, "systolic")
    return down - up if down is not None and up is not None else Decimal(0)


def _falls(lying: Finding, standing: Finding, systolic: Decimal) -> bool:
    down, up = _pressure(lying, "diastolic"), _pressure(standing, "diastolic")
    diastolic = down is not None and up is not None and down - up >= DIASTOLIC_FALL
    return _systolic_fall(lying, standing) >= systolic or diastolic


def _supine_hypertension(lying: Finding) -> bool:
    systolic, diastolic = _pressure(lying, "systolic"), _pressure(lying, "diastolic")
    return (systolic is not None and systolic >= SUPINE_SYSTOLIC) or (diastolic is not None and diastolic >= SUPINE_DIASTOLIC)


def minutes_standing(lying: Finding, standing: Finding) -> Decimal | None:
    """Minutes of standing as recorded, else from the times of both readings when both are exact."""
    stated = standing.detail("minutes-standing")
    if isinstance(stated, Decimal):
        return stated
    first, second = lying.moment, standing.moment
    if first is None or second is None or not _exact(first) or not _exact(second) or second.start <= first.start:
        return None
    return Decimal(str((second.start - first.start) / 60))


def _exact(moment: Moment) -> bool:
    return moment.start == moment.end


def _same_day(one: Finding, other: Finding) -> bool:
    if one.moment is None or other.moment is None:
        return False
    return abs(one.moment.first_day - other.moment.first_day) < timedelta(days=1)
