"""Which patterns of neuropathy the signs show. Several may stand; each names the findings it rests on."""

from collections.abc import Callable, Iterator
from datetime import timedelta
from decimal import Decimal

from sural.evidence.rulebook import Rulebook
from sural.evidence.truth import NO, YES
from sural.exam.finding import Finding
from sural.exam.moment import Moment
from sural.neuropathy.pattern import RULES, Pattern
from sural.neuropathy.reach import KNEE, MID_SHIN, Extent
from sural.neuropathy.signs import DISTAL, LEGS, LOST_REFLEX, PROXIMAL, SMALL, Signs, remembered

SIDES = ("left", "right")
ASYMMETRY = 2
SEVERE_PAIN = Decimal(7)
HBA1C_FALL = Decimal(2)
HBA1C_SPAN = timedelta(days=92)
ONSET_AFTER_FALL = timedelta(weeks=8)
_NERVES = frozenset({"median-nerve-signs", "ulnar-nerve-signs", "fibular-nerve-signs"})
_FIBULAR = ("power-ankle-dorsiflexion", "power-ankle-eversion", "power-ankle-inversion")
AUTONOMIC_SYMPTOMS = (
    "postural-dizziness",
    "early-satiety-vomiting",
    "bowel-disturbance",
    "bladder-disturbance",
    "erectile-dysfunction",
    "sweating-change",
)


def patterns(signs: Signs, autonomic: tuple[Finding, ...]) -> list[Pattern]:
    """Every pattern that stands, in the order of the rules. `autonomic` are the findings of abnormal autonomic tests."""
    found = [pattern for test, _ in _TESTS.about(signs.codes) if (pattern := test(signs)) is not None]
    if autonomic:
        found.append(Pattern(RULES["autonomic"], autonomic))
    return found


def _stands(code: str, findings: tuple[Finding, ...], detail: str = "") -> Pattern:
    return Pattern(RULES[code], tuple(dict.fromkeys(findings)), detail)


@remembered
def central_signs(signs: Signs) -> tuple[Finding, ...]:
    """Findings that speak for the spinal cord or brain; brisk knee reflexes alone are none."""
    found: list[Finding] = []
    for limb in signs.exam.limbs:
        for code, answer in (
            ("plantar-response", "extensor"),
            ("ankle-reflex", "clonus"),
            ("knee-reflex", "clonus"),
            ("tone", "increased"),
        ):
            finding = limb.findings.get(code)
            if finding is not None and finding.value == answer:
                found.append(finding)
    level = signs.exam.person.get("sensory-level-trunk")
    if level is not None and level.value == "present":
        found.append(level)
    return tuple(found)


def _upper_motor_neurone(signs: Signs) -> Pattern | None:
    found = central_signs(signs)
    return _stands("upper-motor-neurone", found) if found else None


def _length_dependent(signs: Signs) -> Pattern | None:
    """Both sides, within one level, with a gradient that was shown: by a boundary, or by ankle reflexes lost before knee reflexes."""
    if sides_apart(signs):
        return None
    right = signs.legs["right"]
    findings: tuple[Finding, ...] = ()
    boundary = _reflex_gradient(signs)
    highest = 0
    symmetric = False
    for name, one in signs.legs["left"].items():
        other = right.get(name)
        if other is None:
            continue
        if one.inverse or other.inverse:
            return None
        if one.low and other.low:
            symmetric = True
            findings += one.findings + other.findings
            boundary = boundary or (one.boundary and other.boundary)
            highest = max(highest, one.low, other.low)
    if not symmetric or not boundary or not _arms_fit(signs, highest):
        return None
    return _stands("length-dependent-symmetric", findings)


@remembered
def sides_apart(signs: Signs) -> tuple[Finding, ...]:
    """The findings of every modality whose sides certainly differ by two levels or more."""
    left, right = signs.legs["left"], signs.legs["right"]
    pairs = [(one, right[name]) for name, one in left.items() if name in right]
    return tuple([finding for one, other in pairs if apart(one, other) for finding in one.findings + other.findings])


def apart(one: Extent, other: Extent) -> bool:
    """Whether two sides certainly differ by two levels or more."""
    return one.low - other.high >= ASYMMETRY or other.low - one.high >= ASYMMETRY


def _reflex_gradient(signs: Signs) -> bool:
    """Ankle reflexes lost on both sides while both knee reflexes are kept."""
    ankles = signs.reflexes("ankle-reflex", LOST_REFLEX).truth is YES
    return ankles and signs.reflexes("knee-reflex", ("normal", "brisk")).truth is YES


def _arms_fit(signs: Signs, legs: int) -> bool:
    """Whether impaired arms are what such a loss in the legs would bring."""
    return legs >= MID_SHIN or not any(extent.low for extent in signs.of_arms)


def _non_length_dependent(signs: Signs) -> Pattern | None:
    inverse = [extent for extent in signs.of_legs + signs.of_arms if extent.inverse]
    if inverse:
        return _stands("non-length-dependent", tuple([finding for extent in inverse for finding in extent.findings]))
    if not signs.of_arms:
        return None
    hands = tuple([finding for extent in signs.of_arms if extent.low for finding in extent.findings])
    if hands and signs.of_legs and all(extent.high < MID_SHIN for extent in signs.of_legs):
        return _stands("non-length-dependent", hands)
    return None


def _asymmetric(signs: Signs) -> Pattern | None:
    found = sides_apart(signs)
    nerves = _named_nerves(signs)
    if len({finding.concept.code for finding in nerves}) >= 2:
        found += nerves
    return _stands("asymmetric-multifocal", found) if found else None


@remembered
def _named_nerves(signs: Signs) -> tuple[Finding, ...]:
    if _NERVES.isdisjoint(signs.codes):
        return ()
    return tuple(
        finding
        for limb in signs.exam.limbs
        for code in ("median-nerve-signs", "ulnar-nerve-signs", "fibular-nerve-signs")
        if (finding := limb.findings.get(code)) is not None and finding.value == "present"
    )


def _proximal(signs: Signs) -> Pattern | None:
    pain = signs.symptom("proximal-leg-pain")
    if pain.truth is not YES:
        return None
    weakness = signs.weak(PROXIMAL)
    course = signs.person("symptom-course", "acute", "subacute")
    if weakness.truth is YES and course.truth is YES:
        return _stands("proximal-radiculoplexus", pain.findings + weakness.findings + course.findings)
    return None


def _cranial(signs: Signs) -> Pattern | None:
    found: list[Finding] = []
    nerves: list[str] = []
    for limb in signs.exam.limbs:
        palsy = limb.findings.get("cranial-nerve-palsy")
        if palsy is not None and palsy.value != "none":
            found.append(palsy)
            nerves.append(str(palsy.value))
            pupil = limb.findings.get("pupil-involved")
            if pupil is not None:
                found.append(pupil)
    return _stands("cranial", tuple(found), ", ".join(nerves)) if found else None


def _focal(signs: Signs) -> Pattern | None:
    found = list(_named_nerves(signs))
    names = [str(finding.concept.code).removesuffix("-nerve-signs") for finding in found]
    for side in SIDES:
        drop = fibular_weakness(signs, side)
        if drop and not _inversion_weak(signs, side) and "fibular" not in names:
            found += drop
            names.append("fibular")
    return _stands("focal-mononeuropathy", tuple(found), ", ".join(dict.fromkeys(names))) if found else None


def fibular_weakness(signs: Signs, side: str) -> tuple[Finding, ...]:
    """Dorsiflexion and eversion weak on a side whose inversion was tested, and the other side not the same."""
    found = (signs.exam.left if side == "left" else signs.exam.right).findings
    dorsiflexion, eversion, inversion = [found.get(movement) for movement in _FIBULAR]
    if dorsiflexion is None or eversion is None or inversion is None:
        return ()
    return (dorsiflexion, eversion, inversion) if dorsiflexion.value != "5" and eversion.value != "5" else ()


def _inversion_weak(signs: Signs, side: str) -> bool:
    limb = signs.exam.left if side == "left" else signs.exam.right
    return limb.value("power-ankle-inversion") != "5"


@remembered
def deep_loss(signs: Signs) -> tuple[Finding, ...]:
    """The findings of vibration and joint position lost on both sides; none unless both are."""
    if signs.both("joint-position") is not YES or signs.both("vibration") is not YES:
        return ()
    return tuple(
        finding for side in SIDES for name in ("vibration", "joint-position") for finding in signs.legs[side][name].findings
    )


def _superficial_lost(signs: Signs) -> bool:
    return not signs.lost_either.isdisjoint(SMALL)


@remembered
def ataxia(signs: Signs) -> tuple[Finding, ...]:
    """Ataxic gait or a positive Romberg test."""
    gait, romberg = signs.person("gait", "ataxic"), signs.person("romberg", "positive")
    return tuple(finding for sign in (gait, romberg) if sign.truth is YES for finding in sign.findings)


def _sensory_ataxic(signs: Signs) -> Pattern | None:
    deep, unsteady = deep_loss(signs), ataxia(signs)
    if not deep or not unsteady or _superficial_lost(signs):
        return None
    return _stands("sensory-ataxic", deep + unsteady)


def _dorsal_column(signs: Signs) -> Pattern | None:
    deep = deep_loss(signs)
    if not deep or _superficial_lost(signs):
        return None
    support = central_signs(signs) + ataxia(signs) + _b12_risk(signs)
    return _stands("dorsal-column", deep + support) if support else None


def _b12_risk(signs: Signs) -> tuple[Finding, ...]:
    risks = (signs.person("vegan-diet"), signs.person("metformin"))
    return tuple(finding for risk in risks if risk.truth is YES for finding in risk.findings)


def _motor_predominant(signs: Signs) -> Pattern | None:
    weakness = signs.weak(LEGS)
    if weakness.truth is not YES:
        return None
    widespread = _widespread_weakness(signs)
    if widespread and generalised_areflexia(signs):
        return _stands("motor-predominant", weakness.findings + generalised_areflexia(signs))
    motor, sensory = signs.motor_grade(), signs.sensory_grade()
    known = any(signs.legs[side] for side in SIDES)
    if known and motor > sensory and motor >= 2:
        return _stands("motor-predominant", weakness.findings)
    return None


def _widespread_weakness(signs: Signs) -> bool:
    """Proximal and distal weakness on both sides."""
    return all(signs.weak(codes, side).truth is YES for codes in (PROXIMAL, DISTAL) for side in SIDES)


@remembered
def generalised_areflexia(signs: Signs) -> tuple[Finding, ...]:
    """Ankle and knee reflexes absent on both sides, arm reflexes not normal."""
    ankles, knees = signs.reflexes("ankle-reflex", ("absent",)), signs.reflexes("knee-reflex", ("absent",))
    arms = signs.reflexes("arm-reflexes", ("absent", "reduced"))
    if ankles.truth is YES and knees.truth is YES and arms.truth is not NO:
        return ankles.findings + knees.findings + arms.findings
    return ()


def _acute_painful(signs: Signs) -> Pattern | None:
    pain = signs.symptom("foot-pain-neuropathic")
    course = signs.person("symptom-course", "acute", "subacute")
    if pain.truth is not YES or course.truth is not YES:
        return None
    allodynia = signs.symptom("allodynia")
    score = signs.exam.person.get("pain-score")
    severe = (score,) if score is not None and score.number >= SEVERE_PAIN else ()
    if allodynia.truth is YES or severe:
        support = (allodynia.findings if allodynia.truth is YES else ()) + severe
        return _stands("acute-painful", pain.findings + course.findings + support)
    return None


def _treatment_induced(signs: Signs) -> Pattern | None:
    onset = signs.exam.person.get("symptom-onset")
    readings = signs.exam.series.get("hba1c", [])
    if onset is None or not isinstance(onset.value, Moment) or len(readings) < 2:
        return None
    symptoms = signs.symptom("foot-pain-neuropathic")
    new = symptoms.findings if symptoms.truth is YES else _autonomic_symptoms(signs)
    if not new:
        return None
    for earlier, later in _falls(readings):
        assert later.moment is not None and earlier.moment is not None
        if earlier.moment.first_day <= onset.value.last_day and onset.value.first_day <= later.moment.last_day + ONSET_AFTER_FALL:
            return _stands("treatment-induced", (earlier, later, onset, *new))
    return None


def _autonomic_symptoms(signs: Signs) -> tuple[Finding, ...]:
    found = (signs.person(code) for code in AUTONOMIC_SYMPTOMS)
    return tuple(finding for sign in found if sign.truth is YES for finding in sign.findings)


def _falls(readings: list[Finding]) -> Iterator[tuple[Finding, Finding]]:
    """Pairs of HbA1c readings, at most three months apart, with a fall of two points or more."""
    dated = [reading for reading in readings if reading.moment is not None]
    for index, earlier in enumerate(dated):
        for later in dated[index + 1 :]:
            assert earlier.moment is not None and later.moment is not None
            span = later.moment.first_day - earlier.moment.first_day
            if timedelta(0) < span <= HBA1C_SPAN and earlier.number - later.number >= HBA1C_FALL:
                yield earlier, later


_FOCAL = _NERVES | {"power-ankle-inversion"}
# the concepts without one of which a pattern cannot stand; none for those that rest on levels of sensation
_Test = tuple[Callable[[Signs], Pattern | None], frozenset[str]]
_TESTS: Rulebook[_Test] = Rulebook((
    (_upper_motor_neurone, frozenset()),
    (_length_dependent, frozenset()),
    (_non_length_dependent, frozenset()),
    (_asymmetric, frozenset()),
    (_proximal, frozenset({"proximal-leg-pain"})),
    (_cranial, frozenset({"cranial-nerve-palsy"})),
    (_focal, _FOCAL),
    (_sensory_ataxic, frozenset({"gait", "romberg"})),
    (_dorsal_column, frozenset({"joint-position", "sensory-level-joint-position"})),
    (_motor_predominant, LEGS.codes),
    (_acute_painful, frozenset({"foot-pain-neuropathic"})),
    (_treatment_induced, frozenset({"symptom-onset"})),
), lambda one: one[1])  # fmt: skip


def fingertips_wanted(signs: Signs) -> bool:
    """The loss reaches the knee and nobody tested the fingertips (common practice, no source)."""
    return not signs.of_arms and any(extent.low >= KNEE for extent in signs.of_legs)
