"""How sure it is: published case definitions as ranges over what was not recorded."""

from collections.abc import Iterator
from functools import lru_cache
from itertools import product

from msgspec import Struct
from msgspec.structs import replace

from sural.evidence.citation import Citation
from sural.evidence.truth import NO, UNKNOWN, YES, Truth
from sural.exam.finding import Finding
from sural.neuropathy.signs import DISTAL, LARGE, LOST_REFLEX, SMALL, Sign, Signs, remembered
from sural.neuropathy.sources import DEVIGILI_2008, DEVIGILI_2019, ENGLAND, TORONTO, memory, seen

NOT_APPLICABLE = "not-applicable"
_SIDES = ("left", "right")


class Certainty(Struct, frozen=True):
    """One case definition: the lowest and highest level still possible, and remarks."""

    at_least: str
    at_most: str
    citation: Citation
    findings: tuple[Finding, ...] = ()
    notes: tuple[str, ...] = ()

    def up_to(self, other: "Certainty") -> "Certainty":
        """The same with an upper end as high as the other's, where both stand on one scale."""
        scale = next((levels for levels in SCALES if self.at_most in levels and other.at_most in levels), ())
        if not scale or scale.index(other.at_most) <= scale.index(self.at_most):
            return self
        return replace(self, at_most=other.at_most)


# Toronto 2010, diabetic sensorimotor polyneuropathy

TORONTO_LEVELS = ("none-met", "possible", "probable", "subclinical", "confirmed")
TORONTO_2010 = seen(TORONTO, "definitions 1 to 4, two restatements")


@remembered
def distal_loss(signs: Signs) -> Sign:
    """Symmetric decrease of distal sensation.

    Yes when a modality is impaired on both sides. No only when touch, pain or temperature, and vibration were tested on both sides and
    nothing is impaired: these are the three kinds of test that guidelines ask for (project choice); anything less is unknown.
    """
    left, right = signs.lost["left"], signs.lost["right"]
    if left and right:
        return Sign(YES, signs.findings_of_loss())
    findings = tuple([finding for extent in signs.of_legs for finding in extent.findings])
    if left or right:
        side = "right" if left else "left"
        return Sign(NO if _kinds_normal(signs, side) else UNKNOWN, findings)
    if not findings:
        return Sign(UNKNOWN)
    return Sign(NO if all(_kinds_normal(signs, side) for side in _SIDES) else UNKNOWN, findings)


_KINDS = (("light-touch", "monofilament"), ("pinprick", "temperature"), ("vibration",))


def _kinds_normal(signs: Signs, side: str) -> bool:
    """Whether each kind of test was done on a side with a normal result."""
    normal = signs.normal[side]
    return "any" in normal or not any(map(normal.isdisjoint, _KINDS))


def lost_ankle_reflexes(signs: Signs) -> Sign:
    """Ankle reflexes unequivocally decreased or absent, on both sides; present with reinforcement is not unequivocal."""
    return signs.reflexes("ankle-reflex", LOST_REFLEX)


def conduction(signs: Signs) -> str:
    """abnormal, normal or not-done; not recorded is not done."""
    verdict = signs.exam.value("nerve-conduction")
    return str(verdict) if verdict in ("abnormal", "normal") else "not-done"


def toronto(signs: Signs) -> Certainty:
    """The level of diabetic sensorimotor polyneuropathy. Any two of three make it probable, symptoms or not (the definition, literally)."""
    if signs.exam.no_diabetes:
        return Certainty(NOT_APPLICABLE, NOT_APPLICABLE, TORONTO_2010)
    criteria = (signs.symptoms(), distal_loss(signs), lost_ankle_reflexes(signs))
    done = conduction(signs)
    low, high = _toronto_range(criteria[0].truth, criteria[1].truth, criteria[2].truth, done)
    notes = []
    if done == "normal" and high in ("possible", "probable"):
        notes.append("conduction-normal-consider-small-fibre-test")
    if _only_age_related(signs, criteria):
        notes.append("low-confidence-age")
    if bool(signs.lost["left"]) != bool(signs.lost["right"]):
        notes.append("one-sided-loss-does-not-count")
    if signs.exam.value("diabetes") in (None, "absent"):
        notes.append("diabetes-not-confirmed")
    findings = tuple(finding for sign in criteria if sign.truth is YES for finding in sign.findings)
    return Certainty(low, high, TORONTO_2010, findings, tuple(notes))


@lru_cache(maxsize=128)
def _toronto_range(symptoms: Truth, sensation: Truth, reflexes: Truth, done: str) -> tuple[str, str]:
    levels = [_toronto_level(sum(completion), done) for completion in _completions(symptoms, sensation, reflexes)]
    ranked = sorted(levels, key=TORONTO_LEVELS.index)
    return ranked[0], ranked[-1]


def _toronto_level(met: int, done: str) -> str:
    if done == "abnormal":
        return "confirmed" if met else "subclinical"
    return "probable" if met >= 2 else "possible" if met == 1 else "none-met"


def _completions(*truths: Truth) -> Iterator[tuple[bool, ...]]:
    return product(*((False, True) if truth is UNKNOWN else (truth is YES,) for truth in truths))


def _only_age_related(signs: Signs, criteria: tuple[Sign, Sign, Sign]) -> bool:
    """From 60 years, when absent vibration at the toe and lost ankle reflexes are all there is (Vrancken 2006, seen)."""
    age = signs.exam.subject.age_from
    symptoms, sensation, reflexes = criteria
    if age is None or age < 60 or symptoms.truth is YES or YES not in (sensation.truth, reflexes.truth):
        return False
    return signs.lost_either <= {"vibration"}


# small fibres

SMALL_FIBRE_LEVELS = ("none-met", "possible", "probable", "definite")
SMALL_FIBRE_2010 = memory(TORONTO, "small-fibre definitions, original wording")


def small_fibre_signs(signs: Signs) -> Sign:
    """Pinprick or temperature lost on both sides, allodynia or hyperalgesia."""
    lost = [name for name in SMALL if name in signs.lost_both]
    if lost:
        return Sign(YES, tuple(f for name in lost for side in _SIDES for f in signs.legs[side][name].findings))
    positive = signs.either("allodynia", "hyperalgesia")
    if positive.truth is YES:
        return positive
    spared = signs.normal_either.issuperset(SMALL)
    return Sign(NO if spared and positive.truth is NO else UNKNOWN, positive.findings)


def small_fibre(signs: Signs, later_wording: bool = False) -> Certainty:
    """Toronto small-fibre levels in the original wording: probable and definite need a normal sural study.

    The wording found on hosted pages accepts an abnormal study and wants both tests for definite (`later_wording`).
    """
    symptoms, found = signs.symptoms(), small_fibre_signs(signs)
    sural = signs.exam.left.value("sural-nerve-conduction"), signs.exam.right.value("sural-nerve-conduction")
    study = "abnormal" if "abnormal" in sural else "normal" if "normal" in sural else "not-done"
    biopsy = _any(signs, "nerve-fibre-density", "reduced")
    thresholds = _any(signs, "thermal-threshold", "abnormal")
    low, high = _small_fibre_range(symptoms.truth, found.truth, study, biopsy, thresholds, later_wording)
    mixed = ("mixed-fibre-by-sural-study",) if study == "abnormal" else ()
    notes = () if later_wording else ("wording-from-memory", *mixed)
    findings = tuple([finding for sign in (symptoms, found) if sign.truth is YES for finding in sign.findings])
    return Certainty(low, high, SMALL_FIBRE_2010, findings, notes)


@lru_cache(maxsize=512)
def _small_fibre_range(
    symptoms: Truth, signs: Truth, study: str, biopsy: bool, thresholds: bool, later_wording: bool
) -> tuple[str, str]:
    levels = [
        _small_fibre_level(symptom, sign, study, biopsy, thresholds, later_wording)
        for symptom, sign in _completions(symptoms, signs)
    ]
    ranked = sorted(levels, key=SMALL_FIBRE_LEVELS.index)
    return ranked[0], ranked[-1]


def _any(signs: Signs, code: str, answer: str) -> bool:
    return answer in (signs.exam.left.value(code), signs.exam.right.value(code))


def _small_fibre_level(symptom: bool, sign: bool, study: str, biopsy: bool, thresholds: bool, later_wording: bool) -> str:
    if not symptom and not sign:
        return "none-met"
    studied = study != "not-done" if later_wording else study == "normal"
    if not (symptom and sign) or not studied:
        return "possible"
    both = biopsy and thresholds if later_wording else biopsy or thresholds
    return "definite" if both else "probable"


DEVIGILI_LEVELS = ("not-met", "met")
DEVIGILI_2008_CRITERIA = seen(DEVIGILI_2008, "criteria page")
DEVIGILI_2019_CRITERIA = seen(DEVIGILI_2019, "abstract; sign list from memory")


def devigili_2019(signs: Signs) -> Certainty:
    """Two clinical signs with an abnormal thermal threshold or nerve fibre density. Sign list from memory for 2019, seen for 2008."""
    low, high = _clinical_signs(signs)
    tests = _any(signs, "nerve-fibre-density", "reduced") or _any(signs, "thermal-threshold", "abnormal")
    return Certainty(
        DEVIGILI_LEVELS[tests and low >= 2],
        DEVIGILI_LEVELS[tests and high >= 2],
        DEVIGILI_2019_CRITERIA,
        notes=("sign-list-from-memory",),
    )


def devigili_2008(signs: Signs) -> Certainty:
    """Two of clinical signs, thermal threshold and nerve fibre density; excluded by any large-fibre or motor sign or abnormal conduction."""
    large = not signs.lost_either.isdisjoint(LARGE)
    excluded = large or lost_ankle_reflexes(signs).truth is YES or signs.weak(DISTAL).truth is YES
    if excluded or conduction(signs) == "abnormal":
        return Certainty("not-met", "not-met", DEVIGILI_2008_CRITERIA, notes=("large-fibre-or-motor-sign",))
    tests = _any(signs, "nerve-fibre-density", "reduced") + _any(signs, "thermal-threshold", "abnormal")
    low, high = _clinical_signs(signs)
    return Certainty(DEVIGILI_LEVELS[tests + (low >= 1) >= 2], DEVIGILI_LEVELS[tests + (high >= 1) >= 2], DEVIGILI_2008_CRITERIA)


def _clinical_signs(signs: Signs) -> tuple[int, int]:
    """How many of pinprick loss, thermal loss, allodynia and hyperalgesia there are: at least, at most."""
    pain, temperature = SMALL
    truths = (signs.both(pain), signs.both(temperature), signs.symptom("allodynia").truth, signs.symptom("hyperalgesia").truth)
    return truths.count(YES), len(truths) - truths.count(NO)


# England 2005

ENGLAND_LEVELS = ("not-listed", "-", "+", "++", "+++", "++++")
ENGLAND_2005 = memory(ENGLAND, "rows of Tables 1 and 2")
_WITH_CONDUCTION = {
    "++++abnormal": "++++", "-+++abnormal": "++++", "+++-abnormal": "++++", "++--abnormal": "++++", "+-+-abnormal": "++++",
    "-+-+abnormal": "+++", "+---abnormal": "+++", "----abnormal": "++", "-+--abnormal": "++",
    "+++-normal": "++", "+-+-normal": "+", "++++normal": "-",
}  # fmt: skip
_WITHOUT = {"++++": "++", "-+++": "++", "+++-": "++", "++--": "+", "+-+-": "+", "-+-+": "+"}


def england_2005(signs: Signs) -> Certainty:
    """The ordinal likelihood of distal symmetric polyneuropathy; a combination that is not in the tables is not listed, never guessed."""
    done = conduction(signs)
    weakness = min(signs.weak(DISTAL, "left").truth, signs.weak(DISTAL, "right").truth)
    wasting = min(_wasting(signs, "left"), _wasting(signs, "right"))
    motor = max(weakness, wasting) if UNKNOWN not in (weakness, wasting) else YES if YES in (weakness, wasting) else weakness
    low, high = _england_range(signs.symptoms().truth, lost_ankle_reflexes(signs).truth, distal_loss(signs).truth, motor, done)
    return Certainty(low, high, ENGLAND_2005, notes=("table-from-memory",))


@lru_cache(maxsize=512)
def _england_range(symptoms: Truth, reflexes: Truth, sensation: Truth, motor: Truth, done: str) -> tuple[str, str]:
    levels = {_england_level(completion, done) for completion in _completions(symptoms, reflexes, sensation, motor)}
    ranked = sorted(levels, key=ENGLAND_LEVELS.index)
    return ranked[0], ranked[-1]


def _wasting(signs: Signs, side: str) -> Truth:
    limb = signs.exam.left if side == "left" else signs.exam.right
    value = limb.value("foot-muscle-wasting")
    return UNKNOWN if value is None else YES if value == "present" else NO


def _england_level(columns: tuple[bool, ...], done: str) -> str:
    row = "".join("+" if column else "-" for column in columns)
    if done == "not-done":
        return _WITHOUT.get(row, "not-listed")
    return _WITH_CONDUCTION.get(row + done, "not-listed")


SCALES = (TORONTO_LEVELS, SMALL_FIBRE_LEVELS, DEVIGILI_LEVELS, ENGLAND_LEVELS)

# stages

STAGES = ("0", "1a", "1b", "2a", "2b")
STAGE_2010 = seen(TORONTO, "stages, two restatements")


def stage(signs: Signs) -> Certainty | None:
    """Toronto stage 0 to 2b; None without a nerve conduction verdict. 2b: about half the strength of the ankle dorsiflexors lost."""
    done = conduction(signs)
    if done == "not-done":
        return None
    if done == "normal":
        return Certainty("0", "0", STAGE_2010)
    if all(_half_strength(signs, side) for side in _SIDES):
        return Certainty("2b", "2b", STAGE_2010)
    symptoms = signs.symptoms().truth
    found = max(distal_loss(signs).truth, lost_ankle_reflexes(signs).truth)
    order = ("1a", "1b", "2a")
    ranked = sorted(
        {"2a" if symptom else "1b" if sign else "1a" for symptom, sign in _completions(symptoms, found)}, key=order.index
    )
    return Certainty(ranked[0], ranked[-1], STAGE_2010)


def _half_strength(signs: Signs, side: str) -> bool:
    """MRC 4+ or less, which the NIS counts as half the strength lost (mapping seen on one page)."""
    limb = signs.exam.left if side == "left" else signs.exam.right
    return limb.value("power-ankle-dorsiflexion") in ("4+", "4", "4-", "3", "2", "1", "0")


def certainties(signs: Signs) -> dict[str, Certainty]:
    """Every case definition by its id."""
    return {
        "toronto-2010": toronto(signs),
        "toronto-2010-small-fibre": small_fibre(signs),
        "devigili-2008": devigili_2008(signs),
        "devigili-2019": devigili_2019(signs),
        "aan-2005": england_2005(signs),
    }
