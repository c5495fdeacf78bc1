"""The plain Observation, which most are: one concept, one side or none, one value, one time, nothing that changes the meaning.

They are read in one loop. Whatever is not plain in every respect is left to the full reading of `observations`, which gives the same
result for a plain one (a test compares the two).
"""

from decimal import Decimal
from typing import Any

from msgspec.structs import astuple

from sural.exam.finding import Finding
from sural.exam.moment import Moment, moment
from sural.intake import wire
from sural.intake.context import Context, Gathered
from sural.intake.documents import Item
from sural.intake.references import base
from sural.intake.values import read_value

FINAL = frozenset({"final", "amended", "corrected"})
_VALUES = (str, Decimal, Moment)
_FIELDS = wire.Observation.__struct_fields__
_RARE = slice(_FIELDS.index("implicitRules"), _FIELDS.index("valueString"))
_BESIDE = slice(_FIELDS.index("implicitRules"), _FIELDS.index("issued"))
_TOLD = slice(_FIELDS.index("status"), None)
_EMPTY = astuple(wire.Observation())
_NOTHING_RARE, _NOTHING_BESIDE = _EMPTY[_RARE], _EMPTY[_BESIDE]
_joined = b"\n".join


def read_plain(context: Context) -> list[Item]:
    """Read every plain Observation; return the items that are left."""
    lexicon, as_of = context.lexicon, context.as_of
    remembered = lexicon.plain
    left: list[Item] = []
    noted: str | None = None
    when: Moment | None = None
    told: str | None = None
    server = ""
    about: Gathered | None = None
    for item in context.items:
        record: Any = item.record
        if record.__class__ is not wire.Observation:
            left.append(item)
            continue
        fields = astuple(record)
        status, code, subject, text, body_site, coded = fields[_TOLD]
        bare = fields[_BESIDE] == _NOTHING_BESIDE
        if status not in FINAL or subject is None or not (bare or fields[_RARE] == _NOTHING_RARE):
            left.append(item)
            continue
        key = _joined((code, body_site, coded))
        try:
            said = remembered[key]
        except KeyError:
            said = lexicon.remember_plain(key, bytes(code), bytes(body_site), bytes(coded))
        if said is None:
            left.append(item)
            continue
        concept, side, site, answer, dated = said
        if text != noted:
            noted, when = text, moment(text) if text else None
        patient = subject.reference
        if patient is None or (when is None and (dated or text is not None)):
            left.append(item)
            continue
        full_url = item.full_url or ""
        if patient != told or not (full_url.startswith(server) if server else not full_url.startswith("http")):
            about = _about(context, item)
            told, server = (None, "") if patient.startswith("#") else (patient, base(full_url))
            server = f"{server}/" if server else ""
        value = answer if answer is not None and bare else read_value(record, concept, lexicon, as_of)
        if about is None or not isinstance(value, _VALUES):
            left.append(item)
            continue
        about.findings.append(Finding(concept, side, site, value, when, item))
    return left


def _about(context: Context, item: Item) -> Gathered | None:
    """What is gathered of the patient of an Observation."""
    subject = context.references.subject(item.record.subject, item)
    return None if subject is None else context.gathered(subject)
