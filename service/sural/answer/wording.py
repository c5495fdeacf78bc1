"""The words of the answer: cautions, remarks, factors, and how ranges and sides are said."""

from sural.canonical import RULE_SET
from sural.exam.finding import Finding
from sural.footrisk.factors import DISPLAYS as FACTORS
from sural.terminology.dictionary import answer_displays

CAUTIONS = (
    f"Decision support for review by a clinician (Sural rule set {RULE_SET}). It does not replace examination or judgement.",
    "Local policy and licensed practice decide. Referrals are proposals, never orders.",
    "A test that was not done is not read as normal; where findings are missing the answer is a range.",
)
EMERGENCY = "Features that threaten limb or life: use the local emergency route now."


NOTES: dict[str, str] = {
    "diabetes-not-confirmed": "Diabetes is not recorded. The schemes are for people with diabetes; they were applied as if it were present.",
    "no-diabetes": "Diabetes is recorded absent; foot-risk schemes for people with diabetes do not apply.",
    "no-foot": "No foot is left to examine.",
    "under-12": "Under 12 years: not stratified; give basic foot-care advice to the child and family.",
    "age-unknown": "The age is not known; the rules for adults were applied.",
    "assumed-complete-inspection": "The sender declares the inspection complete: visible problems that are not recorded are read as absent.",
    "assumed-complete-history": "The sender declares the history complete: history that is not recorded is read as absent.",
    "active-ulcer-not-excluded": "An active ulcer is not excluded; a foot with an ulcer is treated, not stratified.",
    "gap-previous-foot-ulcer-alone": "An earlier ulcer without loss of sensation or arterial disease does not raise this category.",
    "gap-amputation-alone": "An amputation without loss of sensation or arterial disease does not raise this category.",
    "gap-end-stage-renal-disease-alone": "End-stage renal disease without loss of sensation or arterial disease does not raise this category.",
    "gap-foot-deformity-alone": "A deformity without loss of sensation or arterial disease does not raise this category.",
    "podiatry-plan-no-further-screening": "No further screening: a podiatry plan with review at least yearly.",
    "egfr-exactly-30": "The chart leaves an eGFR of exactly 30 open; it was counted as a factor.",
    "ischaemia-alone-not-active-here": "This chart does not list limb-threatening ischaemia alone as active; NICE does.",
    "consider-more-frequent-review": "Consider more frequent review: the person may not be able to check their own feet.",
    "heel-pressure-redistribution": "In hospital: provide a device that takes pressure off the heels, and tell the foot protection service at discharge.",
    "one-pulse-absent": "One foot pulse is absent: arterial disease is undecided. An index with toe pressure, or a waveform with a toe index, decides.",
    "pulse-only-reduced": "A foot pulse is only reduced: arterial disease is undecided until another test decides.",
    "index-incompressible": "The ankle-brachial index is above 1.3: the arteries do not compress and the index cannot be used.",
    "normal-index-does-not-exclude": "A normal ankle-brachial index alone does not exclude arterial disease in diabetes.",
    "sensation-only-reduced": "Touch, pinprick or vibration is only reduced: this neither shows nor excludes loss of protective sensation.",
    "adverse-finding-not-usable": "An adverse finding could not be used, or a diagnosis is not confirmed: what it speaks for is not ruled out.",
    "adverse-finding-without-side": "An adverse finding lacks its side: what it speaks for is not ruled out on either side.",
    "consider-acute-charcot": "A hot swollen foot: consider an acute Charcot foot even without pain or deformity.",
    "no-weight-bearing-until-seen": "No weight bearing on this foot until it is seen.",
    "skin-temperature-difference-supports-charcot": "The feet differ by 2 degrees or more, which supports an acute Charcot foot; less would not exclude it.",
    "limb-threat-not-excluded": "A threat to the limb is not excluded: check the circulation today.",
    "threat-in-unusable-finding": "A finding that could not be used may mean a threat to limb or life: see the input, and look today.",
    "table-from-memory": "Table from memory, not checked against the printed page.",
    "rest-pain-not-explained-by-grade": "Rest pain is reported, but the ischaemia grade does not explain it.",
}


def said_side(side: str | None) -> str:
    """A side in words."""
    return {"left": "left foot", "right": "right foot"}.get(side or "", "")


def said_factor(factor: str) -> str:
    return FACTORS.get(factor, factor)


def said_value(finding: Finding) -> str:
    """The value of a finding in words: the display of an answer, else the number or date."""
    return in_sentence(answer_displays().get(finding.said, finding.said))


URGENCIES = {"stat": "emergency", "asap": "as soon as possible"}
"""Urgencies that the trade calls otherwise than FHIR does."""


def said_urgency(urgency: str) -> str:
    """How urgent, in the words of the trade."""
    return URGENCIES.get(urgency, urgency)


_UNITS = {"D": "day", "W": "week", "M": "month", "Y": "year"}


def said_against(taken: Finding, other: Finding) -> str:
    """A value that another was taken against; of another concept with its name."""
    said = said_value(other)
    return said if other.concept.code == taken.concept.code else f"{in_sentence(other.concept.display)}: {said}"


def said_span(earliest: str, latest: str) -> str:
    """Two ISO 8601 durations of one unit each (P1M) as words: "1 to 2 months"."""
    if earliest != latest and earliest[-1] == latest[-1]:
        return f"{earliest[1:-1]} to {_said_duration(latest)}"
    return _said_duration(earliest) if earliest == latest else f"{_said_duration(earliest)} to {_said_duration(latest)}"


def _said_duration(text: str) -> str:
    count, unit = text[1:-1], _UNITS[text[-1]]
    return f"{count} {unit}" if count == "1" else f"{count} {unit}s"


def in_sentence(display: str) -> str:
    """A display inside a sentence: its first letter small, names kept."""
    return display[:1].lower() + display[1:]


def listed(words: list[str]) -> str:
    """a, b and c."""
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}" if words else ""
