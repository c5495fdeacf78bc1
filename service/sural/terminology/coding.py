"""Codings as they come: the JSON shapes of CodeableConcept and Coding, and post-coordinated SNOMED CT expressions."""

import re
from typing import Any

import msgspec
from msgspec import Struct

LATERALITY = "272741003"


class Coding(Struct):
    system: str | None = None
    code: str | None = None
    display: str | None = None


class Extension(Struct):
    url: str | None = None
    extension: "list[Extension]" = []
    valueCodeableConcept: "CodeableConcept | None" = None
    valueCoding: Coding | None = None
    valueCode: str | None = None


class CodeableConcept(Struct):
    coding: list[Coding] = []
    text: str | None = None
    extension: list[Extension] = []


_decoder = msgspec.json.Decoder(CodeableConcept)
_list_decoder = msgspec.json.Decoder(list[CodeableConcept])


def codeable_concept(raw: bytes) -> CodeableConcept:
    """Decode one CodeableConcept. Raises msgspec.MsgspecError when it has another shape."""
    return _decoder.decode(raw)


def codeable_concepts(raw: bytes) -> list[CodeableConcept]:
    """Decode a list of CodeableConcepts, or one that stands alone."""
    return _list_decoder.decode(raw) if raw.startswith(b"[") else [_decoder.decode(raw)]


_TERM = re.compile(r"\|[^|]*\|")
_EXPRESSION = re.compile(r"^(\d+)\s*:\s*(?:\{\s*)?(\d+)\s*=\s*(\d+)(?:\s*\})?$")


def laterality_expression(code: str) -> tuple[str, str] | None:
    """Split `site:272741003=side` into site and side codes; None when the code is anything else.

    Terms between bars and white space are allowed, other refinements are not: their meaning would be lost.
    Source: SNOMED CT Compositional Grammar, attribute 272741003 |Laterality| (from memory; the form is given in the project's contract).
    """
    match = _EXPRESSION.match(_TERM.sub("", code).strip())
    if match and match[2] == LATERALITY:
        return match[1], match[3]
    return None


def as_plain(concept: CodeableConcept) -> dict[str, Any]:
    """The first coding and the text, for reports."""
    first = concept.coding[0] if concept.coding else Coding()
    return {"system": first.system, "code": first.code, "display": first.display or concept.text}
