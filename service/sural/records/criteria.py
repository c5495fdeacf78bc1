"""What to ask a record system for: types of resources and their codes, taken from the terminology so that it stays right."""

from msgspec import Struct

from sural.canonical import FINDING, LOINC, QUESTION
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
    "QuestionnaireResponse",
    "Medication",
)
"""Every type that is asked for, also as the scopes of the token."""


class Criterion(Struct, frozen=True):
    """One search for one patient's data. `telling` says that a change of such a resource makes its patient due; `codes` are `system|code`,
    or `system|` for any of a system; with `evidence` a resource of this kind is something to assess."""

    kind: str
    codes: tuple[str, ...] = ()
    extra: Parameters = ()
    telling: bool = False
    evidence: bool = False


def criteria(lexicon: Lexicon, every_observation: bool = False) -> tuple[Criterion, ...]:
    """What is asked for. `every_observation` asks for Observations whatever their code: for systems that search codes badly, or that send
    post-coordinated expressions.

    Our own code systems are asked for as a whole (R4, search.html#token: `system|`), so that the lists are a third as long. Forms are
    asked for whatever they are, because versions at the end of a canonical are searched in different ways; what is not ours is left out.
    """
    ours = (FINDING, QUESTION)
    codes = [(system, code) for system, code in lexicon.codes() if system not in ours]
    measured = (*(f"{system}|" for system in ours), *(f"{system}|{code}" for system, code in codes if not system.startswith(ICD)))
    diagnosed = (f"{FINDING}|", *(f"{system}|{code}" for system, code in codes if system != LOINC))
    panels = (("_revinclude", "Observation:has-member"),)
    return (
        Criterion("Observation", () if every_observation else measured, () if every_observation else panels, True, True),
        Criterion("Condition", diagnosed, (), True, True),
        Criterion("Procedure", diagnosed, (), True, True),
        Criterion("QuestionnaireResponse", (), (), True, True),
        Criterion("MedicationStatement", (), (("_include", "MedicationStatement:medication"),)),
        Criterion("MedicationRequest", (), (("_include", "MedicationRequest:medication"),)),
        Criterion("Encounter", (), (("status", "arrived,triaged,in-progress,onleave"),)),
        Criterion("ServiceRequest", (), (("status", "active"),)),
    )
