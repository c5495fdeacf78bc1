"""Every fault and remark, as a closed vocabulary.

Each key maps once to an OperationOutcome severity and issue code (FHIR R4, required bindings issue-severity and issue-type) and to the
HTTP status that an input refused for it gets. Missing evidence is `informational`: the FHIR code `incomplete` means that a source did
not answer, and a client would retry for ever.
"""

from typing import Literal

from msgspec import Struct

Severity = Literal["fatal", "error", "warning", "information"]


class Kind(Struct, frozen=True):
    """One key of the vocabulary: how severe, which FHIR issue code, which HTTP status when it refuses the whole input, in words."""

    key: str
    severity: Severity
    code: str
    status: int
    text: str


class Issue(Struct, frozen=True, gc=False):
    """Something to say about the input: what (a key), where (a FHIRPath that selects one node of the input) and for developers.

    `expression` is empty where there is nothing to point at. `line` counts from 1 in input that comes as lines. `diagnostics` never
    repeats a value of the patient's.
    """

    key: str
    expression: str = ""
    diagnostics: str = ""
    line: int | None = None

    @property
    def kind(self) -> Kind:
        return KINDS[self.key]

    @property
    def severity(self) -> Severity:
        return KINDS[self.key].severity


class Refused(Exception):
    """The input as a whole cannot be assessed. Carries all issues found until then."""

    def __init__(self, *issues: Issue) -> None:
        super().__init__(", ".join(issue.key for issue in issues))
        self.issues = issues

    @property
    def status(self) -> int:
        return max(issue.kind.status for issue in self.issues)


_TABLE: tuple[tuple[str, Severity, str, int, str], ...] = (
    # the input as a whole
    ("not-json", "fatal", "structure", 400, "The input is not JSON."),
    ("not-fhir", "fatal", "structure", 400, "The input is JSON but not a FHIR resource."),
    ("empty-input", "fatal", "required", 400, "The input holds nothing to assess."),
    ("input-too-large", "fatal", "too-long", 413, "The input is larger than the limit."),
    ("too-many-entries", "fatal", "too-costly", 413, "The Bundle has more entries, or the form more answers, than the limit."),
    ("too-deep", "fatal", "too-costly", 413, "The input is nested deeper than the limit."),
    ("bundle-type-unsupported", "fatal", "not-supported", 422, "This type of Bundle is not read."),
    ("resource-type-unsupported", "fatal", "not-supported", 422, "This type of resource cannot be assessed on its own."),
    ("patient-missing", "fatal", "required", 422, "Nothing in the input says which patient it is about."),
    ("subject-missing", "error", "business-rule", 422, "The input is about several patients and this resource does not say which."),
    ("patient-deceased", "fatal", "business-rule", 422, "The patient is recorded as deceased."),
    ("patient-inactive", "fatal", "business-rule", 422, "The patient record is not active."),
    ("patient-replaced", "fatal", "business-rule", 422, "The patient record has been replaced by another."),
    # structure
    ("structure-invalid", "error", "structure", 400, "The element does not have the form that FHIR R4 gives it."),
    ("resource-type-unknown", "error", "structure", 400, "There is no such resource type in FHIR R4."),
    ("element-unknown", "error", "structure", 400, "FHIR R4 has no such element here."),
    ("element-missing", "error", "required", 400, "An element that FHIR R4 requires is missing."),
    ("null-value", "error", "structure", 400, "FHIR JSON has no null here."),
    ("duplicate-property", "error", "structure", 400, "The same JSON property stands twice."),
    ("invariant-broken", "error", "invariant", 400, "An invariant of FHIR R4 does not hold."),
    ("value-and-absent-reason", "error", "invariant", 400, "A value and a reason for its absence exclude each other (obs-6)."),
    ("duplicate-resource", "warning", "duplicate", 400, "The same resource stands in the input more than once; the latest version is read."),
    ("version-unclear", "warning", "duplicate", 400, "The same resource stands in the input more than once and nothing says which is later; both are read."),
    # status and modifiers
    ("status-invalid", "error", "code-invalid", 422, "The status is not a code of the required value set."),
    ("status-not-usable", "warning", "business-rule", 422, "A resource with this status is not evidence."),
    ("preliminary", "warning", "business-rule", 422, "Preliminary results are read only on request."),
    ("diagnosis-unconfirmed", "warning", "business-rule", 422, "The diagnosis is not confirmed: it is not evidence, but it is not ruled out."),
    ("diagnosis-refuted", "information", "business-rule", 422, "The diagnosis is refuted."),
    ("modifier-extension", "error", "extension", 422, "An unknown modifier extension may change the meaning."),
    ("focus-not-patient", "error", "business-rule", 422, "The focus of the Observation is not the patient."),
    ("subject-not-patient", "error", "business-rule", 422, "The subject is not a patient, or not exactly one."),
    ("subject-assumed", "warning", "business-rule", 422, "No subject is given; the only patient of the input is taken."),
    ("reference-unresolved", "warning", "not-found", 422, "The reference points to nothing in the input."),
    ("bundle-in-pages", "warning", "informational", 422, "There are further pages, which were not sent: what they hold is not known."),
    # what was found
    ("code-missing", "error", "required", 422, "The resource has no code."),
    ("code-not-mapped", "information", "informational", 422, "The code is none that is read here."),
    ("code-nearly-mapped", "warning", "code-invalid", 422, "The code is mapped as wider or narrower only; that is not evidence."),
    ("code-conflict", "error", "business-rule", 422, "The codings name different findings or sides."),
    ("code-needs-site", "warning", "required", 422, "The code is read only together with a body site that it lacks."),
    ("component-not-mapped", "information", "informational", 422, "The component's code is none that is read here."),
    ("value-missing", "error", "required", 422, "There is no value and no reason for its absence."),
    ("value-type", "error", "value", 422, "The finding does not take this type of value."),
    ("value-not-mapped", "error", "code-invalid", 422, "The value is none of the answers to this finding."),
    ("value-conflict", "error", "business-rule", 422, "The codings of the value name different answers."),
    ("value-out-of-range", "error", "value", 422, "The number is outside what can be measured."),
    ("value-by-display", "warning", "code-invalid", 422, "The value is a text that equals an answer's display; send the code."),
    ("read-as-present", "warning", "value", 422, "The finding is named without a value; it is read as present."),
    ("comparator", "error", "not-supported", 422, "A value with a comparator is not a measured value."),
    ("unit-missing", "error", "required", 422, "A measured value needs its UCUM unit."),
    ("unit-not-ucum", "error", "code-invalid", 422, "The unit is not a UCUM code."),
    ("unit-incommensurable", "error", "value", 422, "The unit cannot be converted to the one that is needed."),
    ("questionnaire-unknown", "warning", "not-found", 422, "The Questionnaire is none of ours; its answers are not read."),
    ("question-unknown", "error", "code-invalid", 422, "The Questionnaire has no question with this linkId."),
    ("tries-undecided", "information", "informational", 422, "The tries do not decide whether the site is felt."),
    # where
    ("side-missing", "error", "required", 422, "The finding needs a side and has none."),
    ("side-conflict", "error", "business-rule", 422, "Two different sides are given."),
    ("laterality-not-understood", "error", "code-invalid", 422, "The side is given in a code that is not known."),
    ("site-conflict", "error", "business-rule", 422, "Two different sites are given."),
    ("site-not-mapped", "warning", "code-invalid", 422, "The body site is none that is known."),
    # when
    ("date-invalid", "error", "value", 422, "The date is not a FHIR date or dateTime."),
    ("date-missing", "error", "required", 422, "The finding has no date, and it is not history."),
    ("date-in-future", "error", "business-rule", 422, "The finding is later than the day of assessment."),
    ("stale", "information", "informational", 422, "The finding is older than the look-back."),
    # together
    ("contradiction", "warning", "business-rule", 422, "Findings contradict each other; the worse reading is taken."),
    ("duplicate-finding", "information", "duplicate", 422, "The same finding is given more than once."),
    # the request
    ("parameter-unknown", "error", "not-supported", 400, "There is no such parameter."),
    ("parameter-invalid", "error", "value", 400, "The parameter's value cannot be used."),
    ("scheme-unknown", "error", "not-supported", 400, "There is no such scheme."),
    ("pathway-unknown", "error", "not-supported", 400, "There is no such pathway."),
    ("concept-map-invalid", "error", "structure", 400, "The ConceptMap cannot be laid over the terminology."),
    ("media-type-unsupported", "error", "not-supported", 415, "The body is in a format that is not read here."),
    ("not-acceptable", "error", "not-supported", 406, "None of the formats that are asked for is written here."),
    ("not-found", "error", "not-found", 404, "There is nothing under this address."),
    ("method-not-allowed", "error", "not-supported", 405, "This method is not offered here."),
    # files and record systems
    ("file-unreadable", "error", "not-found", 400, "A file cannot be read."),
    ("records-unreadable", "error", "not-found", 400, "The record system cannot be read."),
    # stored answers
    ("type-not-stored", "error", "not-supported", 404, "Answers hold no resources of this type."),
    ("identifier-taken", "error", "duplicate", 409, "Another resource of this type has one of these identifiers."),
    (
        "examination-in-part", "error", "business-rule", 409,
        "The stored answer about this examination rests on findings that are not in this input, and knows more: send them along, as entered in error "
        "what no longer holds.",
    ),
    ("version-conflict", "error", "conflict", 412, "The resource has another version by now, or is not there."),
    ("id-differs", "error", "value", 400, "The id in the resource is not the one in the address."),
    ("id-not-assigned", "error", "not-supported", 405, "There is no such resource to update: ids are assigned here."),
    ("resource-type-differs", "error", "value", 400, "The resource is of another type than the address says."),
    ("not-a-transaction", "error", "not-supported", 400, "Only a transaction Bundle is taken here."),
    ("request-not-offered", "error", "not-supported", 400, "A transaction may create resources and update them, and nothing else."),
    ("stored", "information", "informational", 400, "The resource was stored."),
    ("stored-already", "information", "informational", 400, "The resource stands already and says the same; nothing was written."),
    ("respond-async-needed", "error", "not-supported", 400, "An export has to be asked for with Prefer: respond-async."),
    ("export-ended", "information", "informational", 400, "The export is forgotten."),
    (
        "person-differs", "error", "business-rule", 409,
        "Answers stored under this reference are about a person with another identifier of the same system. Send absolute references; where an identifier "
        "has changed, the former one too.",
    ),
    ("character-invalid", "error", "value", 400, "A text holds U+0000, which FHIR R4 does not allow and a database may not keep."),
    ("no-match", "error", "not-found", 412, "A reference by search has to stand in a transaction and lead to exactly one resource that is stored here."),
    ("link-taken", "error", "duplicate", 400, "Two entries have the same fullUrl."),
    ("resource-in-part", "error", "business-rule", 422, "The resource is tagged as a part (SUBSETTED): stored, it would take the rest away."),
    ("several-matches", "error", "multiple-matches", 412, "The condition is met by more than one resource."),
    ("parameter-ignored", "warning", "not-supported", 400, "There is no such search parameter; the results are not narrowed by it."),
    ("search-too-costly", "error", "too-costly", 403, "The search is too wide: say more of what is wanted."),
    # subscriptions
    ("subscription-channel", "error", "not-supported", 422, "Only the channel rest-hook is offered, with the extensions of the R4 backport of topics."),
    ("subscription-criteria", "error", "not-supported", 422, "The criteria are neither a search of stored answers nor one of the topics here."),
    ("subscription-payload", "error", "not-supported", 422, "This payload, or this much content, is not sent."),
    ("subscription-endpoint", "error", "security", 422, "The endpoint is not on the list of servers that may be notified."),
    ("subscription-header", "error", "value", 422, "A header is not a name with a value, or is one that sending decides about."),
    ("subscription-ended", "error", "business-rule", 422, "The end of the subscription is in the past."),
    ("subscription-status", "error", "value", 422, "A client may set a subscription requested, active or off."),
    # CDS Hooks and access
    ("hook-unknown", "error", "not-supported", 400, "This hook is not served here."),
    ("hook-request-invalid", "error", "structure", 400, "The request is not a CDS Hooks request: an element is missing or has the wrong form."),
    ("hook-patient-mismatch", "fatal", "business-rule", 400, "The data are about another patient than the request."),
    ("prefetch-unobtainable", "error", "incomplete", 412, "Data that the advice needs were not sent and cannot be fetched."),
    ("host-not-allowed", "warning", "security", 412, "The named server is not on the list of servers that may be asked."),
    ("login-needed", "error", "login", 401, "A valid access token is needed."),
    ("token-expired", "error", "expired", 401, "The access token has expired."),
    ("scope-insufficient", "error", "forbidden", 403, "The access token does not permit this."),
    ("ledger-unavailable", "error", "transient", 503, "The database with the stored answers does not answer."),
    ("internal-error", "fatal", "exception", 500, "Sural failed. The input is not at fault."),
)  # fmt: skip

KINDS: dict[str, Kind] = {row[0]: Kind(*row) for row in _TABLE}
