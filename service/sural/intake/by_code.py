"""The intake report per code: each code of a document, its coded values and body sites, what they were understood as and what became of them.

Nothing of a patient's is in it: codes with their displays, and counts. What is written beside a coding as free text stays out.
"""

from collections.abc import Iterator

import msgspec

from sural.intake import wire
from sural.intake.context import CodeUse, Context, Role
from sural.intake.documents import Item
from sural.terminology.coding import codeable_concept
from sural.terminology.lexicon import Lexicon

_MEDICATION = (wire.MedicationStatement, wire.MedicationRequest)
NO_CODING = "text without a code"


def by_code(context: Context, read: tuple[type[wire.Resource], ...]) -> list[CodeUse]:
    """Per code, in the order in which they first came. Resources of other types than those `read` are counted per type."""
    uses: dict[tuple[Role, str, str, str], CodeUse] = {}
    for item in context.items:
        fate = context.fates[item.index] or "notRelevant"
        reason = context.reasons.get(item.index)
        for role, coding, understood in _codings(item, context.lexicon, read):
            use = uses.get((role, *coding))
            if use is None:
                use = uses[(role, *coding)] = CodeUse(*coding, understood=understood, role=role)
            use.count += 1
            use.fates[fate] = use.fates.get(fate, 0) + 1
            if reason and (role == "code" or not understood):
                use.reasons[reason] = use.reasons.get(reason, 0) + 1
    return list(uses.values())


def _codings(
    item: Item, lexicon: Lexicon, read: tuple[type[wire.Resource], ...]
) -> Iterator[tuple[Role, tuple[str, str, str], str | None]]:
    record = item.record
    raw = bytes(getattr(record, "code", b"") or getattr(record, "medicationCodeableConcept", b"") or b"")
    if not raw or type(record) not in read:
        yield "code", ("", item.type, ""), None
        return
    if isinstance(record, _MEDICATION):
        yield "code", _label(raw), lexicon.medicine(raw)
        return
    targets = [target.concept for target in lexicon.meanings[raw].targets]
    yield "code", _label(raw), ", ".join(dict.fromkeys(concept.code for concept in targets)) or None
    if not targets or not isinstance(record, wire.Observation):
        return
    if record.valueCodeableConcept:
        value = bytes(record.valueCodeableConcept)
        answers = (lexicon.answers[concept.code][value] for concept in targets)
        yield "value", _label(value), next((one for one in answers if isinstance(one, str)), None)
    if record.bodySite:
        site = bytes(record.bodySite)
        place = lexicon.places[site]
        known = place.site.code if place.site and place.trouble is None else None
        yield "site", _label(site), None if place.trouble else " ".join(filter(None, (place.side, known)))


def _label(raw: bytes) -> tuple[str, str, str]:
    """System, code and display of the first coding."""
    try:
        codings = codeable_concept(raw).coding
    except msgspec.MsgspecError:
        codings = []
    if not codings:
        return "", "", NO_CODING
    return codings[0].system or "", codings[0].code or "", codings[0].display or ""


__all__ = ["by_code"]
