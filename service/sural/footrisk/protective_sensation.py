"""Loss of protective sensation of one foot. Decision 1 of the rule book's project decisions (docs/decisions/0003)."""

from decimal import Decimal

from sural.evidence.criterion import Criterion, Evidence
from sural.exam.examination import Limb
from sural.footrisk.foot import NOTHING, Foot, from_, recorded, when
from sural.footrisk.sources import IWGDF_2007, RAYMAN, VPT_STUDY, project, seen

SITES_NEEDED = 3
TOES = 3
VPT_LIMIT = Decimal(25)
_WHOLE_FOOT = ("", "foot")
_LEVELS = ("sensory-level", "sensory-level-light-touch", "sensory-level-pinprick", "sensory-level-vibration")


def _site_not_felt(foot: Foot) -> Evidence:
    return tuple([finding for finding in foot.at("monofilament-10g").values() if finding.value == "not-felt"])


def _count_not_felt(foot: Foot) -> Evidence:
    finding = foot.get("monofilament-sites")
    if finding is None:
        return NOTHING
    return (finding,) if finding.number < _tested(foot) else NOTHING


def _tested(foot: Foot) -> Decimal:
    finding = foot.get("monofilament-sites")
    tested = finding.detail("sites-tested") if finding else None
    return tested if isinstance(tested, Decimal) else Decimal(0)


def _toes_not_felt(foot: Foot) -> Evidence:
    here, there = foot.get("toe-touch"), foot.other.get("toe-touch")
    if here is None or here.number == TOES:
        return NOTHING
    missed = TOES - here.number + (TOES - there.number if there else 0)
    return tuple(finding for finding in (here, there) if finding) if missed >= 2 else NOTHING


def _vibration_absent(foot: Foot) -> Evidence:
    sites = foot.at("vibration-128hz")
    return tuple([sites[site] for site in ("hallux", *_WHOLE_FOOT) if site in sites and sites[site].value == "absent"])


def _absent_on_the_foot(code: str, foot: Foot) -> Evidence:
    absent = [finding for finding in foot.at(code).values() if finding.value == "absent"]
    return tuple([finding for finding in absent if finding.site is None or finding.site.region == "foot"])


def _level(foot: Foot) -> Evidence:
    found = (foot.get(code) for code in _LEVELS)
    return tuple(finding for finding in found if finding is not None and finding.value != "none")


def _sites_felt(foot: Foot) -> Evidence:
    felt = [f for f in foot.at("monofilament-10g").values() if f.value == "felt" and f.site is not None and f.site.plantar]
    return tuple(felt) if len(felt) >= SITES_NEEDED else NOTHING


def _count_felt(foot: Foot) -> Evidence:
    finding = foot.get("monofilament-sites")
    if finding is None or finding.number < SITES_NEEDED:
        return NOTHING
    return (finding,) if finding.number == _tested(foot) else NOTHING


def _toes_felt(foot: Foot) -> Evidence:
    here, there = foot.get("toe-touch"), foot.other.get("toe-touch")
    if here is None or there is None:
        return NOTHING
    return (here, there) if 2 * TOES - here.number - there.number <= 1 else NOTHING


_OWN = project("decision 0003, protective sensation")
_SITE, _COUNT, _FOOT, _TOES = ("monofilament-10g",), ("monofilament-sites",), "monofilament-foot", ("toe-touch",)
_NOT_FELT = (
    when("monofilament-site-not-felt", "a 10 g monofilament site is not felt (two of three tries)",
         seen(IWGDF_2007, "one absent site puts the person at risk"), _SITE, _site_not_felt),
    when("monofilament-count-not-felt", "fewer monofilament sites are felt than were tested",
         seen(IWGDF_2007, "one absent site puts the person at risk"), _COUNT, _count_not_felt),
    recorded("monofilament-foot-reduced", "the monofilament is reduced or absent on the foot as a whole", _OWN, _FOOT, "reduced", "absent"),
)  # fmt: skip
_FELT = (
    when("monofilament-three-sites-felt", "the monofilament is felt at three or more plantar sites",
         seen(IWGDF_2007, "three plantar sites per foot"), _SITE, _sites_felt),
    when("monofilament-count-felt", "three or more monofilament sites are felt of as many tested",
         seen(IWGDF_2007, "three plantar sites per foot"), _COUNT, _count_felt),
    recorded("monofilament-foot-normal", "the monofilament is normal on the foot as a whole", _OWN, _FOOT, "normal"),
)  # fmt: skip
_VIBRATION = (
    when("vibration-absent-at-great-toe", "128 Hz vibration is absent at the great toe",
         seen("IWGDF tuning fork procedure, restated", "two of three applications at the great toe not felt"), ("vibration-128hz",), _vibration_absent),
    from_("vibration-threshold-25", "the vibration perception threshold at the great toe is 25 V or more",
          seen(VPT_STUDY, "abnormal from 25 V"), "vibration-threshold", VPT_LIMIT),
)  # fmt: skip


def protective_sensation(monofilament_only: bool = False) -> Criterion[Foot]:
    """The criterion; with `monofilament_only` vibration plays no part."""
    return Criterion(
        "protective-sensation-lost",
        "Loss of protective sensation",
        present=(
            *_NOT_FELT,
            when("toe-touch-two-of-six", "two or more of six toes are not felt on light touch",
                 seen(RAYMAN, "two or more of six insensate"), _TOES, _toes_not_felt),
            *(() if monofilament_only else _VIBRATION),
            when("light-touch-absent", "light touch is absent at a site of the foot", _OWN, ("light-touch",),
                 lambda foot: _absent_on_the_foot("light-touch", foot)),
            when("pinprick-absent", "pinprick is absent at a site of the foot", _OWN, ("pinprick",),
                 lambda foot: _absent_on_the_foot("pinprick", foot)),
            when("sensory-level-toes", "the level of loss for touch, pinprick or vibration is the toes or higher", _OWN, _LEVELS, _level),
        ),
        absent=(
            *_FELT,
            when("toe-touch-felt", "all six toes are touched and at most one is not felt",
                 seen(RAYMAN, "two or more of six insensate"), _TOES, _toes_felt),
        ),
    )  # fmt: skip


MONOFILAMENT_INSENSATE: Criterion[Foot] = Criterion(
    "monofilament-insensate", "Insensate to the 10 g monofilament", _NOT_FELT, _FELT
)


def monofilament_counts(limb: Limb) -> tuple[int, int, int]:
    """Sites felt, not felt and undecided on one foot, from single sites and from counts."""
    felt = missed = undecided = 0
    for finding in limb.at("monofilament-10g").values():
        if finding.value == "felt":
            felt += 1
        elif finding.value == "not-felt":
            missed += 1
        else:
            undecided += 1
    counted = limb.get("monofilament-sites")
    if counted is not None:
        tested = counted.detail("sites-tested")
        felt += int(counted.number)
        missed += int(tested - counted.number) if isinstance(tested, Decimal) else 0
    return felt, missed, undecided
