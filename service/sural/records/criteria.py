"""What to ask a record system for: types of resources and their codes, taken from the terminology so that it stays right."""

from msgspec import Struct

from sural.canonical import LOINC, QUESTION
from sural.records.search import Parameters
from sural.terminology.lexicon import Lexicon

ICD = "http://hl7.org/fhir/sid/icd"
NECESSARY = ("Patient", "Observation")
READ = (
    "Patient",
    "Observation",
    "Condition",
    "Procedure",
    "MedicationStatement",
    "MedicationRequest",
    "Encounter",
    "ServiceRequest",
    "Medication",
)
"""Every type that is asked for, also as the scopes of the token."""


class Criterion(Struct, frozen=True):
    """One search for one patient's data. `telling` says that a change of such a resource makes its patient due; `codes` are `system|code`;
    with `evidence` a resource of this kind is something to assess."""

    kind: str
    codes: tuple[str, ...] = ()
    extra: Parameters = ()
    telling: bool = False
    evidence: bool = False


def criteria(lexicon: Lexicon, every_observation: bool = False) -> tuple[Criterion, ...]:
    """What is asked for. `every_observation` asks for Observations whatever their code: for systems that search codes badly, or that send
    post-coordinated expressions."""
    codes = lexicon.codes()
    measured = tuple(f"{system}|{code}" for system, code in codes if not system.startswith(ICD))
    diagnosed = tuple(f"{system}|{code}" for system, code in codes if system not in (LOINC, QUESTION))
    panels = (("_revinclude", "Observation:has-member"),)
    return (
        Criterion("Observation", () if every_observation else measured, () if every_observation else panels, True, True),
        Criterion("Condition", diagnosed, (), True, True),
        Criterion("Procedure", diagnosed, (), True, True),
        Criterion("MedicationStatement", (), (("_include", "MedicationStatement:medication"),)),
        Criterion("MedicationRequest", (), (("_include", "MedicationRequest:medication"),)),
        Criterion("Encounter", (), (("status", "arrived,triaged,in-progress,onleave"),)),
        Criterion("ServiceRequest", (), (("status", "active"),)),
    )
