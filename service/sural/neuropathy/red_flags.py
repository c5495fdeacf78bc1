"""Red flags: what makes a neuropathy atypical, and what makes it urgent."""

from collections.abc import Callable
from datetime import timedelta
from decimal import Decimal

from msgspec import Struct

from sural.evidence.citation import Citation
from sural.evidence.rulebook import Rulebook
from sural.evidence.truth import NO, YES
from sural.exam.finding import Finding
from sural.exam.moment import Moment
from sural.neuropathy.pattern import Pattern
from sural.neuropathy.recognition import central_signs, fibular_weakness, generalised_areflexia, sides_apart
from sural.neuropathy.signs import ALL_MUSCLES, LEGS, LOST_REFLEX, PROXIMAL, Sign, Signs
from sural.neuropathy.sources import CMAJ, COURSE, DUTCH, ICMR, LLEWELYN, practice, seen

SHORT_DURATION = timedelta(days=5 * 365)
BORDERLINE_FILTRATION = Decimal(60)
Evidence = tuple[Finding, ...]


class Flag(Struct, frozen=True):
    """One red flag: its code, the words, the source, its test, and whether it wants the emergency route.

    The test is not asked when `reads` names concepts and none of them was recorded, or `after` a pattern and it does not stand.
    """

    code: str
    text: str
    citation: Citation
    test: Callable[[Signs, frozenset[str]], Evidence]
    urgent: bool = False
    reads: frozenset[str] = frozenset()
    after: str = ""


class Raised(Struct, frozen=True, gc=False):
    """A flag that is raised, with its findings."""

    flag: Flag
    findings: Evidence

    @property
    def code(self) -> str:
        return self.flag.code


def red_flags(signs: Signs, standing: list[Pattern]) -> list[Raised]:
    """Every flag that is raised: urgent ones first, then in the order of the list."""
    codes = frozenset([pattern.code for pattern in standing])
    raised = [
        Raised(flag, findings)
        for flag in FLAGS.about(signs.codes)
        if not (flag.after and flag.after not in codes) and (findings := flag.test(signs, codes))
    ]
    return sorted(raised, key=lambda one: not one.flag.urgent)


def _yes(sign: Sign) -> Evidence:
    return sign.findings if sign.truth is YES else ()


def _person(code: str, *answers: str) -> Callable[[Signs, frozenset[str]], Evidence]:
    return lambda signs, codes: _yes(signs.person(code, *answers))


def _symptom(code: str) -> Callable[[Signs, frozenset[str]], Evidence]:
    return lambda signs, codes: _yes(signs.symptom(code))


def _weak(signs: Signs) -> Sign:
    return signs.weak(ALL_MUSCLES)


def _cord(signs: Signs, codes: frozenset[str]) -> Evidence:
    """A sensory level on the trunk, or sphincter disturbance with anything of the legs: signs, reported weakness, numbness or pain."""
    level = _yes(signs.person("sensory-level-trunk"))
    sphincter = _yes(signs.person("sphincter-disturbance"))
    if not sphincter:
        return level
    legs = central_signs(signs) + _yes(signs.weak(LEGS)) + signs.findings_of_loss() + _lost_reflexes(signs)
    legs += tuple(finding for code in _LEG_SYMPTOMS for finding in _yes(signs.symptom(code)))
    return level + (sphincter + legs if legs else ())


_LEG_SYMPTOMS = ("leg-weakness", "foot-numbness", "foot-tingling", "proximal-leg-pain")


def _lost_reflexes(signs: Signs) -> Evidence:
    """Ankle or knee reflexes that are reduced or absent, on either side."""
    return tuple(
        reflex
        for limb in signs.exam.limbs
        for code in ("ankle-reflex", "knee-reflex")
        if (reflex := limb.get(code)) is not None and reflex.value in LOST_REFLEX
    )


def _rapid_weakness(signs: Signs, codes: frozenset[str]) -> Evidence:
    if "proximal-radiculoplexus" in codes:
        return ()
    acute, weak = _yes(signs.person("symptom-course", "acute")), _yes(_weak(signs)) or _yes(signs.symptom("leg-weakness"))
    return acute + weak if acute and weak else ()


def _third_with_pupil(signs: Signs, codes: frozenset[str]) -> Evidence:
    """A palsy of the third nerve whose pupil is not recorded as spared: what was not looked at is not normal."""
    found: list[Finding] = []
    for limb in signs.exam.limbs:
        palsy, pupil = limb.findings.get("cranial-nerve-palsy"), limb.findings.get("pupil-involved")
        if palsy is not None and palsy.value == "third" and (pupil is None or pupil.value == "present"):
            found += (palsy,) if pupil is None else (palsy, pupil)
    return tuple(found)


def _asymmetry(signs: Signs, codes: frozenset[str]) -> Evidence:
    found: Evidence = sides_apart(signs)
    left, right = signs.exam.left.get("ankle-reflex"), signs.exam.right.get("ankle-reflex")
    if left is not None and right is not None and (left.value in LOST_REFLEX) != (right.value in LOST_REFLEX):
        found += (left, right)
    one, other = signs.weak(LEGS, "left"), signs.weak(LEGS, "right")
    return found + one.findings + other.findings if {one.truth, other.truth} == {YES, NO} else found


def _upper_limb_onset(signs: Signs, codes: frozenset[str]) -> Evidence:
    if "non-length-dependent" not in codes:
        return ()
    return tuple(finding for arm in signs.arms.values() for extent in arm.values() if extent.low for finding in extent.findings)


def _position_out_of_proportion(signs: Signs, codes: frozenset[str]) -> Evidence:
    """Joint position is normally lost later than vibration: lost as far or further, or without it, is a flag."""
    found: Evidence = ()
    for side in ("left", "right"):
        position, vibration = signs.legs[side].get("joint-position"), signs.legs[side].get("vibration")
        if position is not None and position.low and (vibration is None or position.low >= vibration.low):
            found += position.findings + (vibration.findings if vibration else ())
    return found


def _kept_ankle_reflexes(signs: Signs, codes: frozenset[str]) -> Evidence:
    kept = signs.reflexes("ankle-reflex", ("normal", "brisk"))
    large = not signs.lost_either.isdisjoint(("vibration", "light-touch", "joint-position"))
    return kept.findings if kept.truth is YES and large else ()


def _foot_shape(signs: Signs, codes: frozenset[str]) -> Evidence:
    shapes = {"high-arch", "hammer-toe"}
    return tuple(
        deformity
        for limb in signs.exam.limbs
        if (deformity := limb.get("foot-deformity")) is not None
        and any(name == "deformity-type" and value in shapes for name, value in deformity.details)
    )


def _short_duration(signs: Signs, codes: frozenset[str]) -> Evidence:
    """Neuropathy within five years of the onset of type 1 diabetes."""
    onset, kind = signs.exam.get("diabetes-onset"), signs.exam.get("diabetes")
    if (
        onset is None
        or kind is None
        or kind.value != "type-1"
        or not isinstance(onset.value, Moment)
        or not signs.findings_of_loss()
    ):
        return ()
    return (onset, kind) if signs.exam.as_of - onset.value.first_day < SHORT_DURATION else ()


def _no_microvascular(signs: Signs, codes: frozenset[str]) -> Evidence:
    """Neuropathy in diabetes while retina and kidneys are recorded well."""
    eyes, filtration = signs.exam.get("retinopathy"), signs.exam.get("egfr")
    if eyes is None or eyes.value != "absent" or filtration is None or filtration.number < BORDERLINE_FILTRATION:
        return ()
    return (eyes, filtration) if signs.findings_of_loss() else ()


def _brisk_knees(signs: Signs, codes: frozenset[str]) -> Evidence:
    """Brisk knee reflexes without another central sign: a flag, not a veto."""
    if "upper-motor-neurone" in codes:
        return ()
    return tuple(knee for limb in signs.exam.limbs if (knee := limb.get("knee-reflex")) is not None and knee.value == "brisk")


def _root_or_sciatic(signs: Signs, codes: frozenset[str]) -> Evidence:
    """Dorsiflexion, eversion and inversion weak together: a root or the sciatic nerve, not the fibular nerve."""
    found: Evidence = ()
    for side in ("left", "right"):
        movements = fibular_weakness(signs, side)
        if movements and movements[2].value != "5":
            found += movements
    return found


def _early_autonomic(signs: Signs, codes: frozenset[str]) -> Evidence:
    symptoms = ("postural-dizziness", "early-satiety-vomiting", "bowel-disturbance", "bladder-disturbance", "sweating-change")
    found = tuple(finding for code in symptoms for finding in _yes(signs.person(code)))
    return found if "autonomic" in codes and len(found) >= 2 else ()


def _motor(signs: Signs, codes: frozenset[str]) -> Evidence:
    return _yes(signs.weak(LEGS)) if "motor-predominant" in codes else ()


def _reads(*codes: str) -> frozenset[str]:
    return frozenset(codes)


FLAGS: Rulebook[Flag] = Rulebook((
    Flag("cord-or-cauda-signs", "Sensory level on the trunk, or sphincter disturbance with signs or symptoms in the legs", practice("urgent"), _cord, urgent=True, reads=_reads("sensory-level-trunk", "sphincter-disturbance")),
    Flag("rapid-weakness", "Weakness of acute course (up to four weeks)", seen(COURSE, "acute below 4 weeks"), _rapid_weakness, urgent=True, reads=_reads("symptom-course")),
    Flag("third-nerve-with-pupil", "Third nerve palsy with the pupil involved, or not recorded as spared: involvement does not exclude diabetes, still urgent",
         seen(ICMR, "pupil; that one not looked at counts as involved is a project choice, decision 0004"), _third_with_pupil, urgent=True, reads=_reads("cranial-nerve-palsy")),
    Flag("upper-motor-neurone-signs", "Signs of the spinal cord or brain", practice("central signs"), lambda signs, codes: central_signs(signs), reads=_reads("plantar-response", "ankle-reflex", "knee-reflex", "tone", "sensory-level-trunk")),
    Flag("asymmetry", "The sides differ", seen(ICMR, "asymmetric"), _asymmetry),
    Flag("rapid-progression", "Acute or subacute course", seen(CMAJ, "acute or subacute"), _person("symptom-course", "acute", "subacute"), reads=_reads("symptom-course")),
    Flag("stepwise-progression", "Progress in steps", practice("stepwise"), _person("symptom-course", "stepwise"), reads=_reads("symptom-course")),
    Flag("motor-predominance", "Motor more than sensory", seen(ICMR, "mainly motor"), _motor, after="motor-predominant"),
    Flag("proximal-weakness", "Proximal weakness", practice("proximal weakness"), lambda signs, codes: _yes(signs.weak(PROXIMAL)), reads=frozenset(PROXIMAL.codes)),
    Flag("proximal-symptoms", "Pain in thigh, hip or buttock", practice("symptoms are to be in toes, feet or legs"), _symptom("proximal-leg-pain"), reads=_reads("proximal-leg-pain")),
    Flag("upper-limb-onset", "Hands before feet", practice("upper-limb onset"), _upper_limb_onset, after="non-length-dependent"),
    Flag("joint-position-out-of-proportion", "Joint position lost as far as vibration or further", practice("position is lost late"), _position_out_of_proportion, reads=_reads("joint-position", "sensory-level-joint-position")),
    Flag("brisk-knee-reflexes", "Brisk knee reflexes without another central sign", seen("case with proven neuropathy (PMID 20814501)"), _brisk_knees, reads=_reads("knee-reflex")),
    Flag("root-or-sciatic-pattern", "Inversion weak with dorsiflexion and eversion: root or sciatic nerve", practice("L5 root"), _root_or_sciatic, reads=_reads("power-ankle-inversion")),
    Flag("early-autonomic-failure", "Prominent autonomic failure", seen(LLEWELYN, "early autonomic involvement: amyloid"), _early_autonomic, after="autonomic"),
    Flag("family-history", "Family history of neuropathy", seen(LLEWELYN, "family history"), _person("family-history-neuropathy"), reads=_reads("family-history-neuropathy")),
    Flag("high-arches-or-hammer-toes", "High arches or hammer toes", practice("inherited neuropathy"), _foot_shape, reads=_reads("foot-deformity")),
    Flag("short-diabetes-duration", "Type 1 diabetes for less than five years", seen(ICMR, "onset within 5 years, type 1"), _short_duration, reads=_reads("diabetes-onset")),
    Flag("no-other-microvascular-disease", "No retinopathy and no kidney disease", seen("Medicine Today 2013, key points"), _no_microvascular, reads=_reads("retinopathy")),
    Flag("weight-loss", "Unintended weight loss", practice("systemic disease"), _person("weight-loss"), reads=_reads("weight-loss")),
    Flag("monoclonal-protein", "Monoclonal protein", practice("paraprotein"),
         lambda signs, codes: _yes(signs.person("paraprotein")) + _yes(signs.person("monoclonal-protein-test", "abnormal")), reads=_reads("paraprotein", "monoclonal-protein-test")),
    Flag("neurotoxic-medicine", "A medicine known to harm nerves", practice("medicines"), _person("neurotoxic-medicine"), reads=_reads("neurotoxic-medicine")),
    Flag("alcohol-excess", "Alcohol excess", practice("alcohol"), _person("alcohol-excess"), reads=_reads("alcohol-excess")),
    Flag("generalised-areflexia", "Reflexes absent at knees and ankles", practice("areflexia"), lambda signs, codes: generalised_areflexia(signs), reads=_reads("knee-reflex")),
    Flag("cranial-nerve", "Cranial nerve palsy", practice("cranial nerves"),
         lambda signs, codes: tuple(palsy for limb in signs.exam.limbs if (palsy := limb.get("cranial-nerve-palsy")) is not None and palsy.value != "none"), reads=_reads("cranial-nerve-palsy")),
    Flag("kept-ankle-reflexes", "Ankle reflexes kept while large fibres are lost", seen(LLEWELYN, "ankle reflexes in diabetic neuropathy"), _kept_ankle_reflexes, reads=_reads("ankle-reflex")),
    Flag("thickened-nerves", "Thickened nerves", practice("inherited, leprosy, demyelination"), _symptom("thickened-nerves"), reads=_reads("thickened-nerves")),
    Flag("after-infection-or-vaccination", "Infection or vaccination within six weeks", practice("post-infectious"), _person("recent-infection-or-vaccination"), reads=_reads("recent-infection-or-vaccination")),
    Flag("ataxia", "Ataxia", seen(DUTCH, "alarm signs"), lambda signs, codes: _yes(signs.person("gait", "ataxic")) + _yes(signs.person("romberg", "positive")), reads=_reads("gait", "romberg")),
), lambda flag: flag.reads)  # fmt: skip
