"""The parts of FHIR R4 JSON that are read, as typed records.

Decoding checks the JSON types of these elements and skips everything else. CodeableConcepts stay as bytes: the lexicon knows what
they meant the last time. Every other R4 resource type has an empty record, so that it can be told from a type that does not exist.
"""

from decimal import Decimal
from typing import Any, Union

import msgspec
from msgspec import Raw, Struct

NONE = Raw(b"")


class Identifier(Struct, gc=False):
    system: str | None = None
    value: str | None = None


class Reference(Struct, gc=False):
    reference: str | None = None
    type: str | None = None
    identifier: Identifier | None = None


class Quantity(Struct, gc=False):
    value: Decimal | None = None
    comparator: str | None = None
    unit: str | None = None
    system: str | None = None
    code: str | None = None


class Period(Struct, gc=False):
    start: str | None = None
    end: str | None = None


class Meta(Struct, gc=False):
    versionId: str | None = None
    lastUpdated: str | None = None


class Range(Struct, gc=False):
    low: Quantity | None = None
    high: Quantity | None = None
    type: Raw = NONE
    text: str | None = None


class Component(Struct, gc=False):
    code: Raw = NONE
    valueQuantity: Quantity | None = None
    valueCodeableConcept: Raw = NONE
    valueString: str | None = None
    valueBoolean: bool | None = None
    valueInteger: int | None = None
    valueDateTime: str | None = None
    valueRange: Raw = NONE
    valueRatio: Raw = NONE
    valueSampledData: Raw = NONE
    valueTime: Raw = NONE
    valuePeriod: Raw = NONE
    dataAbsentReason: Raw = NONE
    modifierExtension: Raw = NONE
    referenceRange: list[Range] = []


class Resource(Struct, tag_field="resourceType", gc=False):
    """What every resource record has."""

    id: str | None = None
    meta: Meta | None = None
    implicitRules: str | None = None
    modifierExtension: Raw = NONE
    contained: list[Raw] = []


class Observation(Resource, tag="Observation", gc=False):
    status: str | None = None
    code: Raw = NONE
    subject: Reference | None = None
    focus: list[Reference] = []
    effectiveDateTime: str | None = None
    effectivePeriod: Period | None = None
    effectiveInstant: str | None = None
    effectiveTiming: Raw = NONE
    issued: str | None = None
    bodySite: Raw = NONE
    valueQuantity: Quantity | None = None
    valueCodeableConcept: Raw = NONE
    valueString: str | None = None
    valueBoolean: bool | None = None
    valueInteger: int | None = None
    valueDateTime: str | None = None
    valueRange: Raw = NONE
    valueRatio: Raw = NONE
    valueSampledData: Raw = NONE
    valueTime: Raw = NONE
    valuePeriod: Raw = NONE
    dataAbsentReason: Raw = NONE
    referenceRange: list[Range] = []
    hasMember: list[Reference] = []
    component: list[Component] = []


class Condition(Resource, tag="Condition", gc=False):
    clinicalStatus: Raw = NONE
    verificationStatus: Raw = NONE
    code: Raw = NONE
    bodySite: Raw = NONE
    subject: Reference | None = None
    onsetDateTime: str | None = None
    onsetPeriod: Period | None = None
    onsetAge: Quantity | None = None
    abatementDateTime: str | None = None
    abatementPeriod: Period | None = None
    abatementString: str | None = None
    abatementAge: Raw = NONE
    recordedDate: str | None = None


class Procedure(Resource, tag="Procedure", gc=False):
    status: str | None = None
    code: Raw = NONE
    bodySite: Raw = NONE
    subject: Reference | None = None
    performedDateTime: str | None = None
    performedPeriod: Period | None = None


class MedicationStatement(Resource, tag="MedicationStatement", gc=False):
    status: str | None = None
    medicationCodeableConcept: Raw = NONE
    medicationReference: Reference | None = None
    subject: Reference | None = None
    effectiveDateTime: str | None = None
    effectivePeriod: Period | None = None
    dateAsserted: str | None = None


class MedicationRequest(Resource, tag="MedicationRequest", gc=False):
    status: str | None = None
    intent: str | None = None
    medicationCodeableConcept: Raw = NONE
    medicationReference: Reference | None = None
    subject: Reference | None = None
    authoredOn: str | None = None
    doNotPerform: bool | None = None


class Medication(Resource, tag="Medication", gc=False):
    code: Raw = NONE


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
    code: Raw = NONE
    performerType: Raw = NONE
    orderDetail: list[Raw] = []
    subject: Reference | None = None
    authoredOn: str | None = None
    doNotPerform: bool | None = None


class Link(Struct, gc=False):
    other: Reference | None = None
    type: str | None = None


class Patient(Resource, tag="Patient", gc=False):
    identifier: list[Identifier] = []
    active: bool | None = None
    birthDate: str | None = None
    gender: str | None = None
    deceasedBoolean: bool | None = None
    deceasedDateTime: str | None = None
    link: list[Link] = []


READ: tuple[type[Resource], ...] = (
    Observation, Condition, Procedure, MedicationStatement, MedicationRequest, Medication, Encounter, ServiceRequest, Patient,
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
Questionnaire QuestionnaireResponse RelatedPerson RequestGroup ResearchDefinition ResearchElementDefinition ResearchStudy
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


class Entry(Struct, gc=False):
    fullUrl: str | None = None
    resource: AnyResource | None = None


class Bundle(Struct, gc=False):
    type: str | None = None
    entry: list[Entry] = []


bundle_decoder = msgspec.json.Decoder(Bundle)
resource_decoder = msgspec.json.Decoder(AnyResource)
