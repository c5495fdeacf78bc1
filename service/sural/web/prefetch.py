"""What the CDS Hooks service asks a record system for: search templates whose codes come from the terminology.

The templates keep to the subset that CDS Hooks 2 recommends ("Prefetch Template": read by id, search by type, token equality) and use
first-level context fields only. Searches by code ask for no more than what is read here; medicines are asked for without, because those
that harm nerves are recognised by name.
"""

from functools import cache
from urllib.parse import quote

from sural import canonical
from sural.terminology.dictionary import concepts
from sural.terminology.publication import read

LONGEST_ADDRESS = 7_500
"""Characters of an encoded template: RFC 9110, 4.1 asks everybody to support 8000 octets, and the record system's base comes before."""
_PATIENT = "patient={{context.patientId}}"
_ENCOUNTERS = "arrived,triaged,in-progress,onleave"


@cache
def templates() -> dict[str, str]:
    """The prefetch templates by key."""
    found = {"patient": "Patient/{{context.patientId}}"}
    own = [f"{canonical.FINDING}|{code}" for code in concepts()]
    coded = _open_codes()
    observed = [f"{system}|{code}" for system, code in coded if not system.startswith("http://hl7.org/fhir/sid/")]
    diagnosed = [f"{system}|{code}" for system, code in coded if system != canonical.LOINC]
    found |= _searches("observations", "Observation", [*observed, *own])
    found |= _searches("conditions", "Condition", diagnosed)
    found |= _searches("procedures", "Procedure", [one for one in diagnosed if one.startswith(canonical.SNOMED)])
    found["medicationStatements"] = f"MedicationStatement?{_PATIENT}"
    found["medicationRequests"] = f"MedicationRequest?{_PATIENT}"
    found["encounters"] = f"Encounter?{_PATIENT}&status={_ENCOUNTERS}"
    found["serviceRequests"] = f"ServiceRequest?{_PATIENT}&status=active"
    return found


def _open_codes() -> list[tuple[str, str]]:
    """Every code of an open system that is read as a finding by itself."""
    groups = read("ConceptMap", "findings")["group"]
    return sorted({(group["source"], element["code"]) for group in groups for element in group["element"]})


def _searches(name: str, kind: str, codes: list[str]) -> dict[str, str]:
    """As many searches as the codes need."""
    start = f"{kind}?{_PATIENT}&code="
    parts: list[list[str]] = [[]]
    length = len(start)
    for code in codes:
        size = len(quote(code, safe="")) + 3
        if length + size > LONGEST_ADDRESS and parts[-1]:
            parts.append([])
            length = len(start)
        parts[-1].append(code)
        length += size
    if len(parts) == 1:
        return {name: start + ",".join(codes)}
    return {f"{name}{number}": start + ",".join(part) for number, part in enumerate(parts, 1)}


def filled(template: str, patient: str) -> str:
    """A template as an address under the record system's base."""
    path, _, query = template.replace("{{context.patientId}}", patient).partition("?")
    return f"{path}?{quote(query, safe='=&,')}" if query else path
