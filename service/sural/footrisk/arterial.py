"""Arterial disease and limb-threatening ischaemia of one foot. Decisions 2 and 3 of the rule book (docs/decisions/0003)."""

from collections.abc import Callable
from decimal import Decimal
from typing import Any

from sural.evidence.criterion import Criterion, Evidence
from sural.exam.ankle_index import INDEX_INCOMPRESSIBLE, INDEX_LOW, adverse_index
from sural.exam.finding import Finding
from sural.exam.moment import Moment, before
from sural.footrisk.foot import NOTHING, Foot, below, recorded, when
from sural.footrisk.sources import CRAWFORD, GVG, IWGDF_PAD, NICE_PAD, memory, project, seen

SAME_INDEX = Decimal("0.1")
"""An index and one that follows from pressures of its day are the same when they are less than this apart (project choice)."""
TOE_INDEX_LOW = Decimal("0.70")
TOE_PRESSURE_LOW = Decimal(30)
ANKLE_PRESSURE_LOW = Decimal(50)
ULCER_OF_ISCHAEMIA = "P2W"
PULSES = ("dorsalis-pedis-pulse", "posterior-tibial-pulse")


def arm_pressure(foot: Foot) -> tuple[Decimal | None, Evidence]:
    """The higher systolic pressure of both arms, mmHg, with its findings."""
    arms = [finding for limb in (foot.limb, foot.other) if (finding := limb.get("arm-systolic-pressure")) is not None]
    return (max(finding.number for finding in arms), tuple(arms)) if arms else (None, NOTHING)


def ankle_index(foot: Foot) -> tuple[Decimal | None, Evidence]:
    """The ankle-brachial index as sent, or ankle over arm pressure, unrounded; where they differ the worse."""
    return _index(foot, "ankle-brachial-index", "ankle-pressure", adverse_index)


def toe_index(foot: Foot) -> tuple[Decimal | None, Evidence]:
    """The toe-brachial index as sent, or toe over arm pressure, unrounded; where they differ the lower."""
    return _index(foot, "toe-brachial-index", "toe-pressure", Decimal.__neg__)


def _index(foot: Foot, index: str, pressure: str, adverse: Callable[[Decimal], Any]) -> tuple[Decimal | None, Evidence]:
    """The index as sent, which was worked out from more than the rounded pressures beside it; the worse of both where pressures are of another
    day or say something else."""
    sent, measured = foot.get(index), foot.get(pressure)
    arm, arms = arm_pressure(foot)
    ratio = measured.number / arm if measured is not None and arm else None
    if sent is None:
        return (ratio, (measured, *arms)) if ratio is not None else (None, NOTHING)
    if measured is None or ratio is None or (_of_one_day(sent, measured) and abs(ratio - sent.number) < SAME_INDEX):
        return sent.number, (sent,)
    return (ratio, (measured, *arms)) if adverse(ratio) > adverse(sent.number) else (sent.number, (sent,))


def _of_one_day(one: Finding, other: Finding) -> bool:
    if one.moment is None or other.moment is None:
        return one.moment is other.moment
    return (one.moment.first_day, one.moment.last_day) == (other.moment.first_day, other.moment.last_day)


def pulses(foot: Foot) -> tuple[Finding | None, Finding | None]:
    return foot.get(PULSES[0]), foot.get(PULSES[1])


def _both(foot: Foot, answer: str) -> Evidence:
    one, other = pulses(foot)
    return (one, other) if one and other and one.value == other.value == answer else NOTHING


def _pulses_absent(foot: Foot) -> Evidence:
    return _both(foot, "absent")


def _index_low(foot: Foot) -> Evidence:
    index, findings = ankle_index(foot)
    return findings if index is not None and index < INDEX_LOW else NOTHING


def _toe_index_low(foot: Foot) -> Evidence:
    index, findings = toe_index(foot)
    return findings if index is not None and index < TOE_INDEX_LOW else NOTHING


def _pulses_present(foot: Foot) -> Evidence:
    both = _both(foot, "present")
    if not both or foot.value("rest-pain") == "present":
        return NOTHING
    index, findings = ankle_index(foot)
    return NOTHING if index is not None and index > INDEX_INCOMPRESSIBLE else (*both, *findings)


def _flow_normal(foot: Foot) -> Evidence:
    index, findings = toe_index(foot)
    waveform = foot.valued("pedal-waveform", "triphasic", "biphasic")
    return (*waveform, *findings) if waveform and index is not None and index >= TOE_INDEX_LOW else NOTHING


_OWN = project("decision 0003, arterial disease")
_URGENT = seen(IWGDF_PAD, "urgent values (PMC11279131, Table 2)")
_INDEX = ("ankle-brachial-index", "ankle-pressure")
_TOE_INDEX = ("toe-brachial-index", "toe-pressure")
_THREAT_RECORDED = when(
    "limb-threatening-ischaemia-recorded", "limb-threatening or acute ischaemia is recorded", _OWN,
    ("limb-threatening-ischaemia", "acute-limb-ischaemia"),
    lambda foot: foot.valued("limb-threatening-ischaemia", "present") + foot.valued("acute-limb-ischaemia", "present"),
)  # fmt: skip

ARTERIAL_DISEASE: Criterion[Foot] = Criterion(
    "arterial-disease",
    "Peripheral arterial disease",
    present=(
        when("both-pulses-absent", "both foot pulses are absent", seen("Leese et al. 2006; Scottish chart", "absent pulses"),
             PULSES, _pulses_absent),
        when("index-below-0.9", "the ankle-brachial index is below 0.9",
             seen("IWGDF guideline on peripheral artery disease (2015)", "recommendation 3"), _INDEX, _index_low),
        when("toe-index-below-0.70", "the toe-brachial index is below 0.70", memory(IWGDF_PAD, "toe-brachial index"),
             _TOE_INDEX, _toe_index_low),
        recorded("waveform-abnormal", "the pedal waveform is monophasic or flat", memory(IWGDF_PAD, "pedal waveforms"),
                 "pedal-waveform", "monophasic", "flat"),
        below("toe-pressure-below-30", "the toe pressure is below 30 mmHg", _URGENT, "toe-pressure", TOE_PRESSURE_LOW),
        below("ankle-pressure-below-50", "the ankle pressure is below 50 mmHg", _URGENT, "ankle-pressure", ANKLE_PRESSURE_LOW),
        recorded("known-arterial-disease", "peripheral arterial disease is a known diagnosis", _OWN, "peripheral-arterial-disease", "present"),
        _THREAT_RECORDED,
    ),
    absent=(
        when("both-pulses-present", "both foot pulses are present, no test is abnormal, no index is above 1.3 and there is no ischaemic rest pain",
             seen(NICE_PAD, "a normal or raised index alone must not exclude the disease in diabetes"), PULSES, _pulses_present),
        when("waveform-and-toe-index-normal", "the waveform is triphasic or biphasic and the toe-brachial index is 0.70 or more",
             memory(IWGDF_PAD, "disease less likely"), ("pedal-waveform",), _flow_normal),
    ),
)  # fmt: skip


def _ischaemic_tissue(foot: Foot) -> Evidence:
    """Arterial disease with rest pain, gangrene or an ulcer of more than two weeks."""
    if not foot.is_yes("arterial-disease"):
        return NOTHING
    signs = foot.valued("rest-pain", "present") + foot.valued("gangrene", "present") + _old_ulcers(foot)
    return (*signs, *foot.evidence_of("arterial-disease")) if signs else NOTHING


def _old_ulcers(foot: Foot) -> Evidence:
    limit = before(foot.exam.as_of, ULCER_OF_ISCHAEMIA)
    onsets = (ulcer.details.get("ulcer-onset") for ulcer in foot.limb.ulcers)
    return tuple(
        onset for onset in onsets if onset is not None and isinstance(onset.value, Moment) and onset.value.last_day < limit
    )


def _no_tissue_loss(foot: Foot) -> Evidence:
    rest, gangrene, ulcer = (foot.valued(code, "absent") for code in ("rest-pain", "gangrene", "foot-ulcer"))
    return rest + gangrene + ulcer if rest and gangrene and ulcer else NOTHING


_ARTERIAL = tuple(ARTERIAL_DISEASE.reads)

LIMB_THREATENING_ISCHAEMIA: Criterion[Foot] = Criterion(
    "limb-threatening-ischaemia",
    "Limb-threatening ischaemia",
    present=(
        _THREAT_RECORDED,
        when("ischaemic-tissue", "arterial disease with rest pain, gangrene or an ulcer of more than two weeks",
             seen(GVG, "definition"), _ARTERIAL, _ischaemic_tissue),
    ),
    absent=(
        recorded("limb-threatening-ischaemia-denied", "limb-threatening ischaemia is recorded absent", _OWN,
                 "limb-threatening-ischaemia", "absent"),
        when("no-arterial-disease", "there is no arterial disease", seen(GVG, "definition"), _ARTERIAL,
             lambda foot: foot.evidence_of("arterial-disease") if foot.is_no("arterial-disease") else NOTHING),
        when("no-rest-pain-no-tissue-loss", "rest pain, gangrene and ulcer are all absent", seen(GVG, "definition"),
             ("rest-pain",), _no_tissue_loss),
    ),
)  # fmt: skip


def _any_pulse(foot: Foot, answer: str) -> Evidence:
    return tuple([pulse for pulse in pulses(foot) if pulse is not None and pulse.value == answer])


def _both_felt(foot: Foot) -> Evidence:
    felt = _any_pulse(foot, "present") + _any_pulse(foot, "reduced")
    return felt if len(felt) == len(PULSES) else NOTHING


PULSE_ABSENT: Criterion[Foot] = Criterion(
    "pulse-absent",
    "A foot pulse absent",
    present=(
        when("any-pulse-absent", "a foot pulse is absent", seen(CRAWFORD, "any absent pedal pulse"), PULSES,
             lambda foot: _any_pulse(foot, "absent")),
    ),
    absent=(
        when("both-pulses-felt", "both foot pulses are felt, even if weakly", seen(CRAWFORD, "any absent pedal pulse"), PULSES, _both_felt),
    ),
)  # fmt: skip
