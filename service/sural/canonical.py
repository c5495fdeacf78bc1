"""The canonical addresses under which Sural publishes. `.example` is reserved (RFC 2606): the project owns no domain yet."""

from typing import Final

VERSION: Final = "0.1.0"
RULE_SET: Final = "2026.11.1"
BASE: Final = "https://sural.example/fhir"


def code_system(name: str) -> str:
    """The canonical address of one of our code systems."""
    return f"{BASE}/CodeSystem/{name}"


def value_set(name: str) -> str:
    """The canonical address of one of our value sets."""
    return f"{BASE}/ValueSet/{name}"


def profile(name: str) -> str:
    """The canonical address of one of our profiles or extensions."""
    return f"{BASE}/StructureDefinition/{name}"


FINDING: Final = code_system("finding")
FINDING_VALUE: Final = code_system("finding-value")
SITE: Final = code_system("site")
SIDE: Final = code_system("side")
FACTOR: Final = code_system("factor")
FOOT_RISK: Final = code_system("foot-risk")
NEUROPATHY: Final = code_system("neuropathy")
SCORE: Final = code_system("score")
SERVICE: Final = code_system("service")
NOTE: Final = code_system("note")
ISSUE: Final = code_system("issue")
MEDICINE: Final = code_system("medicine")
QUESTION: Final = code_system("question")
RULE: Final = code_system("rule")
OVERRIDE: Final = code_system("override-reason")
RECALL: Final = code_system("recall")

SNOMED: Final = "http://snomed.info/sct"
LOINC: Final = "http://loinc.org"
UCUM: Final = "http://unitsofmeasure.org"
ABSENT_REASON: Final = "http://terminology.hl7.org/CodeSystem/data-absent-reason"
