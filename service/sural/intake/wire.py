"""The parts of FHIR R4 JSON that are read, as typed records.

Decoding checks the JSON types of these elements and skips everything else. CodeableConcepts stay as bytes: the lexicon knows what
they meant the last time. Every other R4 resource type has an empty record, so that it can be told from a type that does not exist.

A record that decodes is not yet without fault: what decoding cannot see at no cost (an element kept as bytes that has another JSON type, a
choice made twice) `structure` names, whenever a resource is looked at with care.
"""

from decimal import Decimal, InvalidOperation
from typing import Annotated, Any, TypeAlias, Union

import msgspec
from msgspec import Meta as Limits
from msgspec import Raw, Struct

from sural.exam.units import measure

NONE = Raw(b"")
Text: TypeAlias = Annotated[Raw, "a string"]
Object: TypeAlias = Annotated[Raw, "an object"]
Array: TypeAlias = Annotated[Raw, "an array"]
Number: TypeAlias = Annotated[Any, "a number"]
Integer: TypeAlias = Annotated[int, Limits(ge=-(2**31), lt=2**31)]


def number(text: str) -> Decimal:
    """A JSON number, exactly; none that could be measured when its exponent is beyond all bounds."""
    try:
        return Decimal(text)
    except InvalidOperation:
        return Decimal("sNaN")


class Identifier(Struct, gc=False):
    system: str | None = None
    value: str | None = None


class Reference(Struct, gc=False):
    reference: str | None = None
    type: str | None = None
    identifier: Identifier | None = None


class Quantity(Struct, gc=False):
    """A number with its unit. The number stands in the JSON as a number (never in quotes), and within what can be measured."""

    value: Number = None
    comparator: str | None = None
    unit: str | None = None
    system: str | None = None
    code: str | None = None

    def __post_init__(self) -> None:
        value = self.value
        if value is None:
            return
        if value.__class__ is not Decimal:
            if value.__class__ is not int:
                raise ValueError("not a number")
            self.value = value = Decimal(value)
        try:
            measure(value)
        except ArithmeticError:
            raise ValueError("not a number that can be measured") from None


class Period(Struct, gc=False):
    start: str | None = None
    end: str | None = None


class Meta(Struct, gc=False):
    versionId: str | None = None
    lastUpdated: str | None = None


class Range(Struct, gc=False):
    low: Quantity | None = None
    high: Quantity | None = None
    type: Object = NONE
    text: str | None = None


class Component(Struct, gc=False):
    code: Object = NONE
    valueQuantity: Quantity | None = None
    valueCodeableConcept: Object = NONE
    valueString: str | None = None
    valueBoolean: bool | None = None
    valueInteger: Integer | None = None
    valueDateTime: str | None = None
    valueRange: Object = NONE
    valueRatio: Object = NONE
    valueSampledData: Object = NONE
    valueTime: Text = NONE
    valuePeriod: Object = NONE
    dataAbsentReason: Object = NONE
    modifierExtension: Array = NONE
    referenceRange: tuple[Range, ...] = ()


class Resource(Struct, tag_field="resourceType", gc=False):
    """What every resource record has."""

    id: str | None = None
    meta: Meta | None = None
    contained: tuple[Object, ...] = ()
    implicitRules: str | None = None
    modifierExtension: Array = NONE


class Observation(Resource, tag="Observation", gc=False):
    """An Observation. What a plain one has none of stands first, then every value but a coded one, then what each has."""

    focus: tuple[Reference, ...] = ()
    effectivePeriod: Period | None = None
    effectiveInstant: str | None = None
    effectiveTiming: Object = NONE
    referenceRange: tuple[Range, ...] = ()
    hasMember: tuple[Reference, ...] = ()
    component: tuple[Component, ...] = ()
    valueString: str | None = None
    valueBoolean: bool | None = None
    valueInteger: Integer | None = None
    valueDateTime: str | None = None
    valueRange: Object = NONE
    valueRatio: Object = NONE
    valueSampledData: Object = NONE
    valueTime: Text = NONE
    valuePeriod: Object = NONE
    dataAbsentReason: Object = NONE
    valueQuantity: Quantity | None = None
    issued: str | None = None
    status: str | None = None
    code: Object = NONE
    subject: Reference | None = None
    effectiveDateTime: str | None = None
    bodySite: Object = NONE
    valueCodeableConcept: Object = NONE


class Condition(Resource, tag="Condition", gc=False):
    clinicalStatus: Object = NONE
    verificationStatus: Object = NONE
    code: Object = NONE
    bodySite: Array = NONE
    subject: Reference | None = None
    onsetDateTime: str | None = None
    onsetPeriod: Period | None = None
    onsetAge: Quantity | None = None
    abatementDateTime: str | None = None
    abatementPeriod: Period | None = None
    abatementString: str | None = None
    abatementAge: Object = NONE
    recordedDate: str | None = None


class Procedure(Resource, tag="Procedure", gc=False):
    status: str | None = None
    code: Object = NONE
    bodySite: Array = NONE
    subject: Reference | None = None
    performedDateTime: str | None = None
    performedPeriod: Period | None = None


class MedicationStatement(Resource, tag="MedicationStatement", gc=False):
    status: str | None = None
    medicationCodeableConcept: Object = NONE
    medicationReference: Reference | None = None
    subject: Reference | None = None
    effectiveDateTime: str | None = None
    effectivePeriod: Period | None = None
    dateAsserted: str | None = None


class MedicationRequest(Resource, tag="MedicationRequest", gc=False):
    status: str | None = None
    intent: str | None = None
    medicationCodeableConcept: Object = NONE
    medicationReference: Reference | None = None
    subject: Reference | None = None
    authoredOn: str | None = None
    doNotPerform: bool | None = None


class Medication(Resource, tag="Medication", gc=False):
    code: Object = NONE


class EncounterClass(Struct, gc=False):
    system: str | None = None
    code: str | None = None


class Encounter(Resource, tag="Encounter", gc=False):
    status: str | None = None
    class_: EncounterClass | None = msgspec.field(default=None, name="class")
    subject: Reference | None = None
    period: Period | None = None


class ServiceRequest(Resource, tag="ServiceRequest", gc=False):
    status: str | None = None
    intent: str | None = None
    priority: str | None = None
    code: Object = NONE
    performerType: Object = NONE
    orderDetail: tuple[Object, ...] = ()
    subject: Reference | None = None
    authoredOn: str | None = None
    doNotPerform: bool | None = None


class Coding(Struct, gc=False):
    system: str | None = None
    version: str | None = None
    code: str | None = None
    display: str | None = None


class Answer(Struct, gc=False):
    """One answer of a QuestionnaireResponse. What is never read is kept as bytes, to know that it is there."""

    valueBoolean: bool | None = None
    valueDecimal: Number = None
    valueInteger: Integer | None = None
    valueDate: str | None = None
    valueDateTime: str | None = None
    valueString: str | None = None
    valueCoding: Coding | None = None
    valueQuantity: Quantity | None = None
    valueTime: Text = NONE
    valueUri: Text = NONE
    valueAttachment: Object = NONE
    valueReference: Object = NONE
    modifierExtension: Array = NONE
    item: "tuple[ResponseItem, ...]" = ()

    def __post_init__(self) -> None:
        if self.valueDecimal is not None:
            self.valueDecimal = Quantity(self.valueDecimal).value


class ResponseItem(Struct, gc=False):
    linkId: str | None = None
    modifierExtension: Array = NONE
    answer: tuple[Answer, ...] = ()
    item: "tuple[ResponseItem, ...]" = ()


class QuestionnaireResponse(Resource, tag="QuestionnaireResponse", gc=False):
    identifier: Identifier | None = None
    questionnaire: str | None = None
    status: str | None = None
    subject: Reference | None = None
    encounter: Object = NONE
    authored: str | None = None
    author: Object = NONE
    item: tuple[ResponseItem, ...] = ()


class Link(Struct, gc=False):
    other: Reference | None = None
    type: str | None = None


class Patient(Resource, tag="Patient", gc=False):
    identifier: tuple[Identifier, ...] = ()
    active: bool | None = None
    birthDate: str | None = None
    gender: str | None = None
    deceasedBoolean: bool | None = None
    deceasedDateTime: str | None = None
    link: tuple[Link, ...] = ()


READ: tuple[type[Resource], ...] = (
    Observation, Condition, Procedure, MedicationStatement, MedicationRequest, Medication, Encounter, ServiceRequest, Patient,
    QuestionnaireResponse,
)  # fmt: skip

_OTHER_TYPES = """
Account ActivityDefinition AdverseEvent AllergyIntolerance Appointment AppointmentResponse AuditEvent Basic Binary
BiologicallyDerivedProduct BodyStructure Bundle CapabilityStatement CarePlan CareTeam CatalogEntry ChargeItem ChargeItemDefinition
Claim ClaimResponse ClinicalImpression CodeSystem Communication CommunicationRequest CompartmentDefinition Composition ConceptMap
Consent Contract Coverage CoverageEligibilityRequest CoverageEligibilityResponse DetectedIssue Device DeviceDefinition DeviceMetric
DeviceRequest DeviceUseStatement DiagnosticReport DocumentManifest DocumentReference EffectEvidenceSynthesis Endpoint
EnrollmentRequest EnrollmentResponse EpisodeOfCare EventDefinition Evidence EvidenceVariable ExampleScenario ExplanationOfBenefit
FamilyMemberHistory Flag Goal GraphDefinition Group GuidanceResponse HealthcareService ImagingStudy Immunization
ImmunizationEvaluation ImmunizationRecommendation ImplementationGuide InsurancePlan Invoice Library Linkage List Location Measure
MeasureReport Media MedicationAdministration MedicationDispense MedicationKnowledge MedicinalProduct MedicinalProductAuthorization
MedicinalProductContraindication MedicinalProductIndication MedicinalProductIngredient MedicinalProductInteraction
MedicinalProductManufactured MedicinalProductPackaged MedicinalProductPharmaceutical MedicinalProductUndesirableEffect MessageDefinition
MessageHeader MolecularSequence NamingSystem NutritionOrder ObservationDefinition OperationDefinition OperationOutcome Organization
OrganizationAffiliation Parameters PaymentNotice PaymentReconciliation Person PlanDefinition Practitioner PractitionerRole Provenance
Questionnaire RelatedPerson RequestGroup ResearchDefinition ResearchElementDefinition ResearchStudy
ResearchSubject RiskAssessment RiskEvidenceSynthesis Schedule SearchParameter Slot Specimen SpecimenDefinition StructureDefinition
StructureMap Subscription Substance SubstanceNucleicAcid SubstancePolymer SubstanceProtein SubstanceReferenceInformation
SubstanceSourceMaterial SubstanceSpecification SupplyDelivery SupplyRequest Task TerminologyCapabilities TestReport TestScript ValueSet
VerificationResult VisionPrescription
"""
OTHERS: tuple[type[Struct], ...] = tuple(
    msgspec.defstruct(name, [("id", str | None, None)], tag=name, tag_field="resourceType", gc=False)
    for name in _OTHER_TYPES.split()
)
TYPES = frozenset(record.__name__ for record in READ) | frozenset(_OTHER_TYPES.split())

AnyResource: Any = Union[READ + OTHERS]  # noqa: UP007 - built from tuples


class Entry(Struct, gc=False, forbid_unknown_fields=True):
    """One entry of a Bundle in the usual form; one with rarer elements is read with care."""

    fullUrl: str | None = None
    resource: AnyResource | None = None
    search: Raw = NONE
    request: Raw = NONE
    response: Raw = NONE


class Bundle(Struct, tag="Bundle", tag_field="resourceType", forbid_unknown_fields=True):
    """A Bundle in the usual form: nothing that a sender put into it is skipped."""

    type: str | None = None
    entry: tuple[Entry, ...] = ()
    id: Raw = NONE
    meta: Raw = NONE
    identifier: Raw = NONE
    timestamp: Raw = NONE
    total: Raw = NONE
    link: Raw = NONE


class Parameter(Struct, forbid_unknown_fields=True):
    """One parameter of a Parameters resource, with every type of value that a parameter of ours may have."""

    name: str | None = None
    valueCode: str | None = None
    valueString: str | None = None
    valueDate: str | None = None
    valueDateTime: str | None = None
    valueUri: str | None = None
    valueCanonical: str | None = None
    valueBoolean: bool | None = None
    resource: Object = NONE


class Parameters(Struct, tag="Parameters", tag_field="resourceType", forbid_unknown_fields=True):
    """Parameters in the usual form."""

    parameter: tuple[Parameter, ...] = ()
    id: Raw = NONE
    meta: Raw = NONE


_AROUND = {
    "Bundle": """resourceType id meta implicitRules language identifier type timestamp total link entry signature
        _id _implicitRules _language _type _timestamp _total""",
    "entry": "id extension modifierExtension link fullUrl _fullUrl resource search request response",
    "Parameters": "resourceType id meta implicitRules language parameter _id _implicitRules _language",
    "parameter": "id extension modifierExtension name _name resource part",
}
FRAMES = {frame: frozenset(elements.split()) for frame, elements in _AROUND.items()}
"""The elements of FHIR R4 that stand around resources; a parameter has its value[x] besides."""

_FRAMED = tuple(record for record in OTHERS if record.__name__ not in FRAMES)
document_decoder = msgspec.json.Decoder(Union[READ + _FRAMED + (Bundle, Parameters)], float_hook=number)  # noqa: UP007
resource_decoder = msgspec.json.Decoder(AnyResource, float_hook=number)
