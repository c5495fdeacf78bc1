"""The facts of the picture, before any line is drawn, and what they are called.

Levels are ranks of the scales of `neuropathy.reach`. At each rank a modality is *lost* (shown), *open* (not excluded: no normal level was
recorded), *clear* (no loss found where it was tested) or *beyond* (above every place that was tested). A modality that was not recorded
at all has no states: it was not examined, which is never drawn like a clear one.
"""

from collections.abc import Mapping

from msgspec import Struct

from sural.neuropathy.reach import Extent

LOST, OPEN, CLEAR, BEYOND = "lost", "open", "clear", "beyond"
FELT, UNDECIDED, REDUCED, NOT_FELT = "felt", "undecided", "reduced", "not-felt"
FILAMENT = "monofilament-10g"
TITLES = {
    "light-touch": "Touch",
    "monofilament": "10 g",
    "pinprick": "Pinprick",
    "temperature": "Temperature",
    "vibration": "Vibration",
    "joint-position": "Position",
    "any": "Sensation",
}
FULL_TITLES = {
    "light-touch": "Light touch",
    "monofilament": "Touch with the 10 g monofilament",
    "pinprick": "Pinprick",
    "temperature": "Temperature",
    "vibration": "Vibration",
    "joint-position": "Joint position",
    "any": "Sensation, kind not stated",
}
WORST = (FELT, UNDECIDED, REDUCED, NOT_FELT)
"""Outcomes of a test, the worst last."""
PARTS_LOST = {"toe": "toe amputated", "ray": "ray amputated", "forefoot": "forefoot amputated", "unspecified": "part amputated"}
LOST_LEG = {"entire-foot": "foot amputated", "below-knee": "amputated below the knee", "above-knee": "amputated above the knee"}


class Probe(Struct, frozen=True):
    """Where a modality was tested: rank, place in words, outcome, and whether readings there contradict each other."""

    rank: int
    site: str
    place: str
    outcome: str
    doubted: bool


class Lane(Struct, frozen=True):
    """One modality on one limb. `states` run from rank 1 upwards and are empty when it was not examined."""

    name: str
    extent: Extent | None
    states: tuple[str, ...] = ()
    probes: tuple[Probe, ...] = ()
    doubted: bool = False

    @property
    def examined(self) -> bool:
        return bool(self.states)


class Reflex(Struct, frozen=True):
    """A reflex: its answer, or None when it was not examined."""

    answer: str | None
    doubted: bool


class Seen(Struct, frozen=True):
    """Something seen on the foot: its kind (a concept code), the words for it, and, of an ulcer, its site code when one was stated."""

    kind: str
    text: str
    site: str | None
    doubted: bool


class SideView(Struct, frozen=True):
    """Everything the picture shows of one side.

    `amputation` is the level of a lost foot, else None. `filament` is the 10 g monofilament by site code; `filament_said` what was recorded
    of it, or empty when it was not tested. `flow` is what was found of the circulation; `looked_for` what was looked for
    and not found. `skin` is the worst state of all modalities by rank, empty when the leg was not examined.
    """

    side: str
    amputation: str | None
    part_lost: str | None
    lanes: tuple[Lane, ...]
    arms: tuple[Lane, ...]
    skin: tuple[str, ...]
    arm_skin: tuple[str, ...]
    filament: Mapping[str, Probe]
    filament_said: tuple[str, ...]
    filament_whole: str
    measured: tuple[str, ...]
    flow: tuple[str, ...]
    seen: tuple[Seen, ...]
    looked_for: tuple[str, ...]
    not_looked_for: tuple[str, ...]
    reflexes: Mapping[str, Reflex]
    not_examined: tuple[str, ...]


class View(Struct, frozen=True):
    """The picture as facts: the right side stands first, as it does in the picture."""

    as_of: str
    feet_examined: str | None
    preliminary: bool
    right: SideView
    left: SideView
    contradictions: tuple[str, ...]
    not_usable: tuple[str, ...]

    @property
    def sides(self) -> tuple[SideView, SideView]:
        return self.right, self.left

    @property
    def hands(self) -> bool:
        """Whether the hands or arms were tested on either side."""
        return any(lane.examined for side in self.sides for lane in side.arms)
