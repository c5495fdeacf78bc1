"""Who lives on the Skerrow Islands: one invented person at a time, drawn from an invented joint distribution.

The numbers are chosen so that every category, pattern and gap occurs and that what belongs together comes together (nerve loss with years of
diabetes, ulcers with nerve loss and poor arteries, amputations with ulcers). They are **not** an estimate of any population, and no
prevalence may be read from them. The same seed and number always give the same person, whatever else is drawn.
"""

import math
import random

from msgspec import Struct

REACH = ("none", "toes", "forefoot", "ankle", "mid-shin", "knee")
"""How far up the loss goes, mildest first: rank 0 to 5."""
STYLES = ("own", "qualifier", "open", "components")
"""How the person's clinic writes: our own codes with a site code that carries the side; a side as a second coding; open codes with their own
answers; one Observation with a component per side."""


class Person(Struct):
    """One invented person. `reach` by side is a rank of REACH; `seen` holds the parts of the examination that were done, by name."""

    number: int
    age: int
    sex: str
    years: int
    style: str
    type_1: bool
    reach: dict[str, int]
    arteries: dict[str, bool]
    deformity: dict[str, bool]
    callus: dict[str, bool]
    ulcer_before: dict[str, bool]
    ulcer: dict[str, bool]
    infection: dict[str, bool]
    amputation: dict[str, str]
    hot_foot: dict[str, bool]
    dialysis: bool
    metformin: bool
    pain: bool
    deficiency: bool
    seen: frozenset[str]
    days_ago: int
    before: int
    """Days between an earlier examination and this one; 0 when there was none."""


PARTS = (
    "monofilament", "vibration", "pinprick", "temperature", "reflexes", "power", "pulses", "index", "inspection", "shape", "history",
    "kidneys", "symptoms", "laboratory",
)  # fmt: skip
LEAN = frozenset({"monofilament", "pulses", "inspection", "shape"})
ALWAYS_OFFERED = 0.97
"""How often a part is done by those who examine well."""


def person(seed: int, number: int, lean: bool = False) -> Person:
    """The person of this number."""
    chance = random.Random(f"{seed}/{number}")
    age = min(97, max(9, round(chance.gauss(66, 13))))
    type_1 = chance.random() < (0.6 if age < 40 else 0.06)
    years = min(age - 3, round(chance.gammavariate(2.0, 5.5)))
    burden = -0.2 + 0.07 * years + 0.02 * (age - 65) + chance.gauss(0, 0.9)  # of long diabetes; what follows leans on it
    rank = max(0, min(5, math.floor(burden + 0.5)))
    reach = {"left": rank, "right": rank}
    if rank and chance.random() < 0.12:
        reach[chance.choice(("left", "right"))] = min(5, rank + chance.choice((1, 2)))
    arteries = _sided(chance, _logistic(-2.6 + 0.045 * (age - 65) + 0.5 * burden))
    deformity = _sided(chance, _logistic(-1.9 + 0.45 * rank))
    callus = {side: chance.random() < (0.45 if deformity[side] else 0.12) for side in deformity}
    ulcer_before = {side: chance.random() < _logistic(-4.4 + 0.6 * reach[side] + 1.1 * arteries[side]) for side in reach}
    ulcer = {
        side: chance.random() < _logistic(-5.2 + 0.45 * reach[side] + arteries[side] + 1.2 * ulcer_before[side]) for side in reach
    }
    infection = {side: ulcer[side] and chance.random() < 0.35 for side in ulcer}
    amputation = {
        side: chance.choice(("toe", "toe", "ray", "forefoot", "below-knee"))
        if ulcer_before[side] and chance.random() < 0.16
        else "none"
        for side in ulcer_before
    }
    hot_foot = {side: reach[side] >= 2 and chance.random() < 0.006 for side in reach}
    care = chance.betavariate(7, 1.2)  # how thorough the clinic is that day
    seen = frozenset(part for part in PARTS if chance.random() < ALWAYS_OFFERED * (0.35 + 0.65 * care))
    if chance.random() < 0.02:
        seen = frozenset()
    return Person(
        number, age, chance.choice(("female", "male")), years, chance.choices(STYLES, (45, 25, 15, 15))[0], type_1, reach, arteries,
        deformity, callus, ulcer_before, ulcer, infection, amputation, hot_foot, chance.random() < _logistic(-5.5 + 0.6 * burden),
        not type_1 and chance.random() < 0.6, rank > 0 and chance.random() < 0.45, chance.random() < 0.05,
        seen & LEAN if lean else seen, chance.randint(400, 900) if chance.random() < 0.04 else chance.randint(1, 330),
        chance.randint(20, 200) if not lean and chance.random() < 0.1 else 0,
    )  # fmt: skip


def _sided(chance: random.Random, likelihood: float) -> dict[str, bool]:
    """On both sides, one, or none: the sides of a person are alike."""
    both = chance.random() < likelihood
    return {side: both if chance.random() < 0.8 else chance.random() < likelihood for side in ("left", "right")}


def _logistic(value: float) -> float:
    return 1 / (1 + math.exp(-value))
