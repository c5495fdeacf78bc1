"""What was not examined: the parts of the examination that nothing was recorded for, with the reason where one was given."""

from collections.abc import Mapping
from functools import lru_cache

from msgspec import Struct

from sural.exam.examination import Examination

FOOT_PARTS: tuple[tuple[str, str, tuple[str, ...]], ...] = (
    ("monofilament", "10 g monofilament or light touch of toes", ("monofilament-10g", "monofilament-sites", "monofilament-foot", "toe-touch")),
    ("dorsalis-pedis-pulse", "dorsalis pedis pulse", ("dorsalis-pedis-pulse",)),
    ("posterior-tibial-pulse", "posterior tibial pulse", ("posterior-tibial-pulse",)),
    ("inspection", "inspection for ulcer, gangrene, infection and a hot swollen foot", ("foot-inspection", "foot-ulcer")),
    ("deformity", "deformity", ("foot-deformity", "significant-deformity")),
    ("callus", "callus", ("callus", "significant-callus")),
    ("earlier-ulcer", "history of ulcer", ("previous-foot-ulcer",)),
    ("amputation", "history of amputation", ("amputation",)),
    ("vibration", "vibration", ("vibration-128hz", "vibration-graded", "vibration-on-off", "vibration-threshold", "sensory-level-vibration")),
    ("pinprick", "pinprick", ("pinprick", "sensory-level-pinprick")),
    ("temperature-sense", "temperature sense", ("temperature-sense", "sensory-level-temperature")),
    ("joint-position", "joint position sense", ("joint-position", "sensory-level-joint-position")),
    ("ankle-reflex", "ankle reflex", ("ankle-reflex",)),
)  # fmt: skip


class Gap(Struct, frozen=True):
    """A part that was not examined: which, on which sides, and why when that was said: a data-absent-reason code, after its side where the sides differ."""

    part: str
    text: str
    sides: tuple[str, ...]
    reasons: tuple[str, ...] = ()


def gaps(exam: Examination) -> list[Gap]:
    """Every part of the examination that is missing on a foot that is there."""
    stated = {(entry.concept.code, entry.side): entry.reason for entry in exam.not_examined}
    missing = {limb.side: frozenset() if limb.foot_lost else _missing(limb.codes) for limb in exam.limbs}
    found = []
    for part, text, codes in FOOT_PARTS:
        sides = tuple([side for side, parts in missing.items() if part in parts])
        if sides:
            found.append(Gap(part, text, sides, _reasons(stated, codes, sides)))
    return found


def _reasons(stated: Mapping[tuple[str, str | None], str], codes: tuple[str, ...], sides: tuple[str, ...]) -> tuple[str, ...]:
    """Why a part is missing; with the side where the reason is not that of every side that is named."""
    given = {side: tuple(dict.fromkeys(stated[code, side] for code in codes if (code, side) in stated)) for side in sides}
    if len(set(given.values())) == 1:
        return given[sides[0]]
    return tuple(f"{side}: {reason}" for side in sides for reason in given[side])


@lru_cache(maxsize=4096)
def _missing(recorded: frozenset[str]) -> frozenset[str]:
    """The parts of which none of these concepts is; examinations record much the same ones."""
    return frozenset(part for part, _, codes in FOOT_PARTS if recorded.isdisjoint(codes))
