"""How far a loss reaches: per modality and side, the most proximal level that is still abnormal.

The boundary has to be shown: abnormal below and normal above. Where it is not, the level is a range. A level may come from single sites,
from a recorded level, or from both; when both cannot be right the higher one is taken and the contradiction reported.
"""

from functools import lru_cache

from msgspec import Struct

from sural.exam.examination import Limb
from sural.exam.finding import Finding

LEG_LEVELS = ("none", "toes", "forefoot", "ankle", "mid-shin", "knee", "thigh", "trunk")
ARM_LEVELS = ("none", "fingers", "hand", "wrist", "elbow", "upper-arm")
TOES, ANKLE, MID_SHIN, KNEE = 1, 3, 4, 5
TRUNK, UPPER_ARM = len(LEG_LEVELS) - 1, len(ARM_LEVELS) - 1
_LEG_RANK = {level: rank for rank, level in enumerate(LEG_LEVELS)}
_ARM_RANK = {level: rank for rank, level in enumerate(ARM_LEVELS)}
LEG_SITES = {
    "hallux": 1, "toe-1": 1, "toe-2": 1, "toe-3": 1, "toe-4": 1, "toe-5": 1, "toes": 1,
    "metatarsal-head-1": 2, "metatarsal-head-2": 2, "metatarsal-head-3": 2, "metatarsal-head-4": 2, "metatarsal-head-5": 2,
    "forefoot": 2, "midfoot": 2, "hindfoot": 2, "dorsum": 2, "foot": 1, "": 1,
    "ankle": 3, "medial-malleolus": 3, "lateral-malleolus": 3,
    "lower-leg": 4, "mid-shin": 4, "tibial-tuberosity": 5, "knee": 5, "thigh": 6,
}  # fmt: skip
ARM_SITES = {"index-fingertip": 1, "fingers": 1, "hand": 2, "wrist": 3}


class Modality(Struct, frozen=True):
    """One kind of sensation: its name, the concept tested at sites, the recorded levels, and whether small or large fibres carry it."""

    name: str
    sites: str
    small: bool
    level: str
    hand_level: str


def _modality(name: str, sites: str, small: bool) -> Modality:
    return Modality(name, sites, small, f"sensory-level-{name}", f"hand-sensory-level-{name}")


MODALITIES = (
    _modality("light-touch", "light-touch", small=False),
    _modality("pinprick", "pinprick", small=True),
    _modality("temperature", "temperature-sense", small=True),
    _modality("vibration", "vibration-128hz", small=False),
    _modality("joint-position", "joint-position", small=False),
)
ANY = Modality("any", "", False, "sensory-level", "hand-sensory-level")


class Extent(Struct, frozen=True, gc=False):
    """The level of one modality on one side, as ranks of the scale: `low` to `high` is still possible; equal when it is exact.

    `boundary` is True when a normal finding above the loss was recorded (or the level as such). `inverse` is True when the loss is
    shown above a place where sensation is normal. `contradicted` is True when sites and the recorded level cannot both be right.
    """

    low: int
    high: int
    findings: tuple[Finding, ...]
    boundary: bool = False
    inverse: bool = False
    contradicted: bool = False

    @property
    def abnormal(self) -> bool:
        return self.low > 0

    @property
    def normal(self) -> bool:
        return self.high == 0


def leg_extent(limb: Limb, modality: Modality) -> Extent | None:
    """The level of a modality on a leg, or None when nothing was recorded for it."""
    return _extent(limb.at(modality.sites), limb.findings.get(modality.level), LEG_SITES, _LEG_RANK, TRUNK)


def arm_extent(limb: Limb, modality: Modality) -> Extent | None:
    """The level of a modality on an arm, or None when nothing was recorded for it."""
    return _extent(limb.at(modality.sites), limb.findings.get(modality.hand_level), ARM_SITES, _ARM_RANK, UPPER_ARM)


def _extent(
    by_site: dict[str, Finding], recorded: Finding | None, sites: dict[str, int], ranks: dict[str, int], top: int
) -> Extent | None:
    tested = tuple([(sites[site], finding.value != "normal") for site, finding in by_site.items() if site in sites])
    if not tested:
        if recorded is None:
            return None
        rank = ranks[str(recorded.value)]
        return Extent(rank, rank, (recorded,), boundary=True)
    low, high, boundary, inverse = _from_sites(tested, top)
    findings = tuple([finding for site, finding in by_site.items() if site in sites])
    if recorded is None:
        return Extent(low, high, findings, boundary, inverse)
    rank = ranks[str(recorded.value)]
    if low <= rank <= high:
        return Extent(rank, rank, (recorded, *findings), True, inverse)
    worse = max(rank, low)
    return Extent(worse, max(worse, high if rank < low else rank), (recorded, *findings), True, inverse, contradicted=True)


@lru_cache(maxsize=4096)
def _from_sites(tested: tuple[tuple[int, bool], ...], top: int) -> tuple[int, int, bool, bool]:
    """(low, high, boundary shown, inverse) of sites as (rank, abnormal)."""
    abnormal = [rank for rank, lost in tested if lost]
    normal = [rank for rank, lost in tested if not lost]
    if not abnormal:
        lowest = min(normal)
        return 0, lowest - 1, True, False
    low = max(abnormal)
    above = [rank for rank in normal if rank > low]
    high = min(above) - 1 if above else top
    inverse = any(rank < low and rank not in abnormal for rank in normal)
    return low, max(low, high), bool(above), inverse


def said_level(extent: Extent, names: tuple[str, ...] = LEG_LEVELS) -> str | dict[str, str]:
    """A level as the summary writes it: a name when exact, both ends otherwise."""
    if extent.low == extent.high:
        return names[extent.low]
    return {"atLeast": names[extent.low], "atMost": names[extent.high]}
