"""Nerve conduction: the published demyelinating range, values against the laboratory's own limits, and the sural response in old age.

Values are only compared with the limits that come with them (referenceRange); foreign limits are not applied in silence.
"""

from decimal import Decimal

from msgspec import Struct

from sural.evidence.truth import NO, UNKNOWN, YES, Truth
from sural.exam.examination import Examination, Limb
from sural.exam.finding import Finding
from sural.neuropathy.sources import EFNS_2010, ENGLAND, SURAL_ELDERLY, memory, seen

LIMITS_2010 = seen(EFNS_2010, "demyelinating range")
TWO_NERVES = memory(ENGLAND, "an abnormal attribute in two nerves, one of them the sural")
ELDERLY = seen(SURAL_ELDERLY, "sural amplitude from 60 years")
_LATENCIES = {"fibular-distal-latency": "fibular"}
_VELOCITIES = {"fibular-motor-velocity": "fibular", "tibial-motor-velocity": "tibial"}
_AMPLITUDES = {"fibular": "fibular-motor-amplitude", "tibial": "tibial-motor-amplitude"}
_SENSORY = {"sural-amplitude": "sural", "sural-velocity": "sural"}
_MOTOR = {**dict.fromkeys(_AMPLITUDES.values(), ""), **_VELOCITIES, **_LATENCIES}
_WAVES = ("f-wave-latency", "conduction-block", "temporal-dispersion")
MEASURED = frozenset((*_MOTOR, *_SENSORY, *_WAVES))
_PERCENT = Decimal(100)


class Attribute(Struct, frozen=True):
    """One conduction attribute in the demyelinating range."""

    nerve: str
    name: str
    finding: Finding


def percent_of(finding: Finding, limit: str) -> Decimal | None:
    """The value in per cent of the lower (`low`) or upper (`high`) limit that came with it."""
    bound = finding.detail(limit)
    return finding.number * _PERCENT / bound if isinstance(bound, Decimal) and bound else None


def demyelinating_attributes(exam: Examination) -> list[Attribute]:
    """Every attribute in the range of EFNS/PNS 2010.

    Distal latency 150 % of the upper limit or more; velocity 70 % of the lower limit or less; F-wave latency 130 % or more (150 % while
    the distal amplitude is below 80 % of its limit); block: amplitude drop of 50 % or more with a distal amplitude of 20 % of its limit or
    more; dispersion: duration increase above 30 %.
    """
    found = []
    for limb in exam.limbs:
        for code, nerve in _LATENCIES.items():
            finding = limb.findings.get(code)
            if finding is not None and (share := percent_of(finding, "high")) is not None and share >= 150:
                found.append(Attribute(nerve, "distal-latency", finding))
        for code, nerve in _VELOCITIES.items():
            finding = limb.findings.get(code)
            if finding is not None and (share := percent_of(finding, "low")) is not None and share <= 70:
                found.append(Attribute(nerve, "velocity", finding))
        found += _waves(limb)
    return found


def _waves(limb: Limb) -> list[Attribute]:
    found = []
    wave = limb.findings.get("f-wave-latency")
    if wave is not None:
        share = percent_of(wave, "high")
        amplitude = _distal_amplitude(limb, _nerve(wave))
        needed = 150 if amplitude is not None and amplitude < 80 else 130
        if share is not None and share >= needed:
            found.append(Attribute(_nerve(wave), "f-wave", wave))
    block = limb.findings.get("conduction-block")
    if block is not None and block.number >= 50:
        amplitude = _distal_amplitude(limb, _nerve(block))
        if amplitude is None or amplitude >= 20:
            found.append(Attribute(_nerve(block), "block", block))
    dispersion = limb.findings.get("temporal-dispersion")
    if dispersion is not None and dispersion.number > 30:
        found.append(Attribute(_nerve(dispersion), "dispersion", dispersion))
    return found


def _nerve(finding: Finding) -> str:
    return str(finding.detail("nerve") or "")


def _distal_amplitude(limb: Limb, nerve: str) -> Decimal | None:
    amplitude = limb.findings.get(_AMPLITUDES.get(nerve, ""))
    return percent_of(amplitude, "low") if amplitude is not None else None


def outside_limits(finding: Finding) -> Truth:
    """Whether a value lies outside the limits that came with it; UNKNOWN without limits."""
    low, high = finding.detail("low"), finding.detail("high")
    if not isinstance(low, Decimal) and not isinstance(high, Decimal):
        return UNKNOWN
    below = isinstance(low, Decimal) and finding.number < low
    above = isinstance(high, Decimal) and finding.number > high
    return YES if below or above else NO


def two_nerves(exam: Examination) -> tuple[Truth, tuple[Finding, ...]]:
    """England 2005, from memory: an attribute outside its limits in two separate nerves, one of them the sural."""
    nerves: dict[str, list[Finding]] = {}
    known = False
    for limb in exam.limbs:
        for code, nerve in {**_SENSORY, **_MOTOR}.items():
            finding = limb.findings.get(code)
            if finding is None:
                continue
            verdict = outside_limits(finding)
            known = known or verdict is not UNKNOWN
            if verdict is YES:
                nerves.setdefault(nerve or code.split("-")[0], []).append(finding)
    findings = tuple(finding for group in nerves.values() for finding in group)
    if "sural" in nerves and len(nerves) >= 2:
        return YES, findings
    return (NO if known else UNKNOWN), findings


def sural_for_age(exam: Examination) -> list[str]:
    """Remarks on a sural amplitude that came without limits, from 60 years: 3 uV to 69, 1 uV to 74, absent allowed from 75."""
    age = exam.subject.age_from
    if age is None or age < 60:
        return []
    limit = 3 if age < 70 else 1 if age < 75 else 0
    notes = []
    for limb in exam.limbs:
        finding = limb.findings.get("sural-amplitude")
        if finding is not None and outside_limits(finding) is UNKNOWN:
            notes.append("sural-amplitude-low-for-age" if finding.number < limit else "sural-amplitude-within-age")
    return list(dict.fromkeys(notes))
