"""What a resource that cannot be used might have said. It is no evidence, but it keeps what it speaks for from being ruled out."""

from sural.exam.finding import Unheard, Value
from sural.exam.moment import Moment
from sural.intake import wire
from sural.intake.context import Context, Gathered
from sural.intake.documents import Item
from sural.intake.panels import effective
from sural.intake.values import Read, has_value, read_value
from sural.intake.where import Troubled, Where, applies, sides, together
from sural.terminology.lexicon import Lexicon
from sural.terminology.meaning import NOWHERE, PRESENCE, Absent, Meaning, Place, Target, Unread
from sural.terminology.site import BILATERAL

RETRACTED = frozenset({"entered-in-error", "cancelled"})


def keep_observation(context: Context, item: Item, record: wire.Observation, about: Gathered) -> None:
    """Keep what an unusable Observation might have said, unless its sender took it back."""
    if record.status in RETRACTED or not record.code:
        return
    modified = bool(record.modifierExtension) or record.implicitRules is not None
    meaning = context.lexicon.meanings[bytes(record.code)]
    place = context.lexicon.places[bytes(record.bodySite)] if record.bodySite else NOWHERE
    when = effective(record)
    for target in meaning.targets:
        if target.stands_alone:
            said, value = (True, None) if modified else _value(record, target, context)
            if said:
                keep(about, item, meaning, place, target, value, when, context.lexicon)
    for component in record.component:
        keep_component(context, item, about, meaning, place, component, when, modified)


def keep_component(
    context: Context,
    item: Item,
    about: Gathered,
    meaning: Meaning,
    place: Place,
    component: wire.Component,
    when: Moment | None,
    modified: bool = False,
) -> None:
    """Keep what one component of an Observation might have said; `meaning` and `place` are those of the Observation."""
    inner = context.lexicon.meanings[bytes(component.code)] if component.code else None
    if inner is None:
        return
    apart = place.side and inner.side and BILATERAL != place.side != inner.side
    trouble = "side-conflict" if apart else inner.trouble or place.trouble
    here = Place(inner.side or place.side, inner.site or place.site, trouble)
    for target in inner.targets or (meaning.targets if inner.side or inner.site or inner.trouble else ()):
        if target.stands_alone:
            said, value = (True, None) if modified else _value(component, target, context)
            if said:
                keep(about, item, inner, here, target, value, when, context.lexicon)


def keep(
    about: Gathered,
    item: Item,
    meaning: Meaning,
    place: Place,
    target: Target,
    value: Value | None,
    when: Moment | None,
    lexicon: Lexicon,
) -> None:
    """Keep one target with as much of its place as is beyond doubt."""
    where = _where(meaning, place, target, lexicon)
    condition = (target.condition or "").removeprefix("suspected").removeprefix("-") or None
    if condition and where.site is not None and not applies(condition, where.site):
        return
    site = where.site if target.concept.sited else None
    details = (("deformity-type", target.detail),) if target.detail else ()
    for side in (sides(where.side) or (None,)) if target.concept.sided else (None,):
        about.unheard.append(Unheard(target.concept, side, site, value, when, item, details))


def _where(meaning: Meaning, place: Place, target: Target, lexicon: Lexicon) -> Where:
    fixed = Where(target.side, lexicon.sites[target.site] if target.site else None)
    if meaning.trouble == "laterality-not-understood" or (place.trouble not in (None, "site-not-mapped", "site-conflict")):
        return Where(None, place.site or fixed.site)
    try:
        return together(together(Where(place.side, place.site), Where(meaning.side, meaning.site)), fixed)
    except Troubled as trouble:
        return Where(None if trouble.key == "side-conflict" else place.side or meaning.side or target.side, fixed.site)


def _value(holder: wire.Observation | wire.Component, target: Target, context: Context) -> tuple[bool, Value | None]:
    """Whether the holder says anything of the target, and what; None where it cannot be read."""
    if target.value is not None:
        denied = read_value(holder, PRESENCE, context.lexicon, context.as_of)
        denied = denied.value if isinstance(denied, Read) else denied
        return denied != "absent", target.value
    value = read_value(holder, target.concept, context.lexicon, context.as_of)
    if isinstance(value, Read):
        value = value.value
    if isinstance(value, Unread):
        return True, None
    if isinstance(value, Absent):
        return False, None
    return (has_value(holder), None) if value is None else (True, value)
