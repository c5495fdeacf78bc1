"""What the CDS Hooks service asks a record system for: what a pull asks for, as search templates; the codes come from the terminology.

The templates keep to the subset that CDS Hooks 2 recommends ("Prefetch Template": read by id, search by type, token equality) and use
first-level context fields only. Searches by code ask for no more than what is read here; medicines are asked for without, because those
that harm nerves are recognised by name; `_include` is outside the subset, so that a medicine is to be coded in its place or contained.
"""

from collections.abc import Sequence
from functools import cache
from urllib.parse import quote

from sural.doors.request import lexicon
from sural.records.criteria import criteria

LONGEST_ADDRESS = 7_500
"""Characters of an encoded template: RFC 9110, 4.1 asks everybody to support 8000 octets, and the record system's base comes before."""
_PATIENT = "patient={{context.patientId}}"


@cache
def templates() -> dict[str, str]:
    """The prefetch templates by key."""
    found = {"patient": "Patient/{{context.patientId}}"}
    for criterion in criteria(lexicon()):
        name = f"{criterion.kind[0].lower()}{criterion.kind[1:]}s"
        extra = "".join(f"&{parameter}={value}" for parameter, value in criterion.extra if not parameter.startswith("_"))
        if criterion.codes:
            found |= _searches(name, criterion.kind, criterion.codes)
        else:
            found[name] = f"{criterion.kind}?{_PATIENT}{extra}"
    return found


def _searches(name: str, kind: str, codes: Sequence[str]) -> dict[str, str]:
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
