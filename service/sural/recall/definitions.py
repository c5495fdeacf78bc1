"""What the words of a recall list mean, and where each meaning comes from.

A known person stands in exactly one *place*: lost, overdue, due, not due, outside, or ended. The *states* are what asks for something; a
person may be in several: lost, overdue, due, unsettled, referred and not seen.
"""

from msgspec import Struct

from sural.evidence.citation import Citation, Mark

_NICE = "NICE guideline NG19, Diabetic foot problems (2015, updated October 2019)"
_CHOICE = Citation("decision 0020", "", Mark.PROJECT)


class Definition(Struct, frozen=True):
    """One word: its code, what it is called, what it means and where that comes from."""

    code: str
    display: str
    text: str
    citation: Citation


def _table(*rows: Definition) -> dict[str, Definition]:
    return {row.code: row for row in rows}


STATES = _table(
    Definition("lost", "Lost",
               "Known here, and not examined inside the longest interval that the scheme allows anybody, a year in NG19; never examined; "
               "every examination withdrawn; or the record gone.",
               Citation(_NICE, "1.3.3, at least yearly; that a person then counts as lost is a project choice", Mark.SEEN)),
    Definition("overdue", "Overdue", "The last day of the review interval of the category has passed.", Citation(_NICE, "1.3.11", Mark.SEEN)),
    Definition("due", "Due", "The day lies within the review interval of the category, counted from the last examination of the feet.",
               Citation(_NICE, "1.3.11", Mark.SEEN)),
    Definition("unsettled", "Unsettled", "The category is a range: findings that matter were not examined. Those named would settle it.", _CHOICE),
    Definition("referred-not-seen", "Referred and not seen",
               "A proposal of ours is open, and no Task was completed, no Encounter begun and no request marked as completed for it.",
               Citation("FHIR R4, ServiceRequest, Task and Encounter statuses", "which statuses count is a project choice", Mark.PROJECT)),
)  # fmt: skip
PLACES = _table(
    *(STATES[code] for code in ("lost", "overdue", "due")),
    Definition("not-due", "Not due", "Examined, and the review interval has not begun.", Citation(_NICE, "1.3.11", Mark.SEEN)),
    Definition("outside", "Outside", "The scheme does not apply, by a finding: no diabetes, or no foot left.", _CHOICE),
    Definition("ended", "Ended", "Recorded as having died.", _CHOICE),
)  # fmt: skip
REASONS = _table(
    Definition("never-examined", "Known here, never examined", "No answer about this person was ever stored.", _CHOICE),
    Definition("examination-withdrawn", "The examination was withdrawn", "The answer about it is entered in error, and no other examination of the feet stands.", _CHOICE),
    Definition("feet-not-examined", "The feet were not examined",
               "There are answers, but nothing in them was found on the feet: blood tests, symptoms or diagnoses only.", _CHOICE),
    Definition("review-passed", "The review interval has passed", "Counted from the last examination of the feet.", Citation(_NICE, "1.3.11", Mark.SEEN)),
    Definition("no-examination-in-a-year", "Not examined inside the longest interval", "Whatever the category: a year in NG19.",
               Citation(_NICE, "1.3.3", Mark.SEEN)),
    Definition("in-review-interval", "The review interval has begun", "Counted from the last examination of the feet.", Citation(_NICE, "1.3.11", Mark.SEEN)),
    Definition("complete-the-examination", "The examination is to be completed",
               "Only the lowest category is certain and a higher one is possible: due from the day of the examination.", _CHOICE),
    Definition("treating-service-sets-review", "The treating service sets the review",
               "An active problem has no review interval in the scheme. That of the highest category with one is kept: worse never waits longer.", _CHOICE),
    Definition("not-stratified", "The scheme does not stratify this person", "Under 12 years. The longest interval is kept.", _CHOICE),
    Definition("scheme-not-applicable", "The scheme does not apply", "No diabetes, or no foot left, by a finding.", _CHOICE),
    Definition("open-findings", "Findings that matter are missing", "They are named with the entry.", _CHOICE),
    Definition("earlier-category-not-ruled-out", "An earlier category is not ruled out", "At an earlier examination a higher category was certain, and the "
               "newest answer leaves it open. Its review interval is kept: what was not examined puts nothing off.", _CHOICE),
    Definition("referral-late", "A referral is late", "Its last day has passed and nobody has been seen for it.", _CHOICE),
    Definition("referral-waiting", "A referral is open", "Its last day has not passed.", _CHOICE),
    Definition("referral-refused", "A referral was refused or cancelled", "A Task for it was rejected, cancelled or failed: nobody will be seen.", _CHOICE),
    Definition("died", "Recorded as having died", "By the record system, at the last pull.", _CHOICE),
    Definition("record-inactive", "The record is not active", "By the record system, at the last pull. The person keeps their place.", _CHOICE),
    Definition("record-replaced", "The record was replaced by another", "By the record system, at the last pull. The person keeps their place, and "
               "somebody has to look whether the other record holds the examinations.", _CHOICE),
    Definition("record-gone", "The record is gone", "The record system no longer has it. The person is lost at once.", _CHOICE),
    Definition("record-refused", "The record could not be assessed", "At the last pull. The person keeps their place.", _CHOICE),
)  # fmt: skip
CHANGES = _table(
    Definition("category-up", "The category is higher", "The new range lies wholly above the old one, in a scheme.", _CHOICE),
    Definition("protective-sensation-newly-lost", "Protective sensation is newly lost", "Kept before, lost now, on a foot.", _CHOICE),
    Definition("ulcer-new", "A foot ulcer is new", "None before, one now, on a foot.", _CHOICE),
    Definition("ulcer-history-new", "An earlier ulcer is newly recorded", "Neither an ulcer nor an earlier one before, an earlier one now.", _CHOICE),
    Definition("reach-rising", "The loss reaches further up", "The new range of levels lies wholly above the old one, in a modality on a side.", _CHOICE),
    Definition("newly-unsettled", "The category is no longer settled", "Settled before, a range now, in a scheme.", _CHOICE),
)  # fmt: skip
REMARKS = ("died", "record-inactive", "record-replaced", "record-gone", "record-refused")
"""What a record system may say of a record as a whole."""
RECORD_REMARKS = {"patient-deceased": "died", "patient-inactive": "record-inactive", "patient-replaced": "record-replaced"}
"""What is remarked of a record that cannot be assessed, by the key of the issue; RECORD_REFUSED for any other."""
RECORD_REFUSED = "record-refused"
