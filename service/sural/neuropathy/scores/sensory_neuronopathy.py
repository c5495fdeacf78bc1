"""Sensory neuronopathy score, 0 to 12.7; above 6.5 it is possible.

Source: Camdessanche et al., table seen (PMC8629873 Table 3): ataxia 3.1, asymmetric loss 1.7, loss not restricted to the legs 2.0, absent or
very low sensory responses in the arms 2.8, fewer than two abnormal motor nerves in the legs 3.1.
"""

from collections.abc import Callable
from decimal import Decimal

from sural.evidence.truth import NO, UNKNOWN, YES, Truth
from sural.exam.examination import Examination
from sural.neuropathy.electrodiagnosis import outside_limits
from sural.neuropathy.reach import ANY, MODALITIES
from sural.neuropathy.recognition import apart
from sural.neuropathy.scores.score import Band, Item, Points, ScoreTable
from sural.neuropathy.signs import Signs
from sural.neuropathy.sources import CAMDESSANCHE, seen

_MOTOR = (
    "fibular-motor-amplitude",
    "fibular-motor-velocity",
    "fibular-distal-latency",
    "tibial-motor-amplitude",
    "tibial-motor-velocity",
)
_VIBRATION = ("vibration-threshold", "vibration-on-off", "vibration-time-difference")
_TOUCH = ("monofilament-10g", "monofilament-foot", "monofilament-sites")
_LEVELS = (
    *(modality.sites for modality in MODALITIES),
    *(modality.level for modality in MODALITIES),
    ANY.level,
    *_TOUCH,
    *_VIBRATION,
)
_HANDS = (*(modality.hand_level for modality in (ANY, *MODALITIES)), *(modality.sites for modality in MODALITIES))


def _ataxia(exam: Examination) -> Truth:
    gait, romberg = exam.value("gait"), exam.value("romberg")
    if gait == "ataxic" or romberg == "positive":
        return YES
    return NO if gait is not None or romberg is not None else UNKNOWN


def _asymmetric(exam: Examination) -> Truth:
    """Whether any modality is lost on one side only, or to levels two steps apart."""
    legs = Signs(exam).legs
    pairs = [(legs["left"][name], legs["right"][name]) for name in legs["left"] if name in legs["right"]]
    if any(apart(*pair) or (pair[0].abnormal and pair[1].normal) or (pair[1].abnormal and pair[0].normal) for pair in pairs):
        return YES
    return NO if pairs else UNKNOWN


def _arms(exam: Examination) -> Truth:
    """Whether sensation is lost in the arms as well."""
    extents = [extent for arm in Signs(exam).arms.values() for extent in arm.values()]
    if any(extent.abnormal for extent in extents):
        return YES
    return NO if extents else UNKNOWN


def _arm_responses(exam: Examination) -> Truth:
    values = [limb.value("arm-sensory-conduction") for limb in exam.limbs]
    if "absent" in values:
        return YES
    return NO if any(value is not None for value in values) else UNKNOWN


def _few_motor_nerves(exam: Examination) -> Truth:
    """Fewer than two abnormal motor nerves among those of the legs that came with limits."""
    verdicts: dict[str, bool] = {}
    for limb in exam.limbs:
        for code in _MOTOR:
            finding = limb.get(code)
            if finding is not None and isinstance(finding.value, Decimal) and outside_limits(finding) is not UNKNOWN:
                nerve = f"{limb.side} {code.split('-')[0]}"
                verdicts[nerve] = verdicts.get(nerve, False) or outside_limits(finding) is YES
    if not verdicts:
        return UNKNOWN
    return YES if sum(verdicts.values()) < 2 else NO


def _item(text: str, concepts: tuple[str, ...], weight: float, truth: Callable[[Examination], Truth]) -> Item:
    def points(exam: Examination) -> Points:
        answer = truth(exam)
        return (weight, weight) if answer is YES else (0.0, 0.0) if answer is NO else (0.0, weight)

    return Item(text, concepts, weight, points)


SENSORY_NEURONOPATHY = ScoreTable(
    "sensory-neuronopathy",
    "Sensory neuronopathy score",
    items=(
        _item("ataxia", ("gait", "romberg"), 3.1, _ataxia),
        _item("asymmetric loss", _LEVELS, 1.7, _asymmetric),
        _item("loss not restricted to the legs", _HANDS, 2.0, _arms),
        _item("sensory responses of the arms absent", ("arm-sensory-conduction",), 2.8, _arm_responses),
        _item("fewer than two abnormal motor nerves in the legs", _MOTOR, 3.1, _few_motor_nerves),
    ),
    bands=(Band("not-met", 0), Band("possible", 6.51)),
    citation=seen(CAMDESSANCHE),
    band_citation=seen(CAMDESSANCHE, "above 6.5"),
    asked_by=frozenset({"gait", "romberg", "arm-sensory-conduction"}),
)
