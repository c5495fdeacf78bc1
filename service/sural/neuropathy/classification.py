"""The neuropathy of one examination, classified: reach, pattern, character, certainty, causes and what to do next."""

from collections.abc import Iterator, Mapping
from typing import Any

from msgspec import Struct
from msgspec.structs import replace

from sural.evidence.truth import NO, UNKNOWN, YES
from sural.exam.as_if import as_if_heard
from sural.exam.examination import Examination
from sural.exam.finding import Finding
from sural.neuropathy import electrodiagnosis
from sural.neuropathy.autonomic import Autonomic, autonomic
from sural.neuropathy.causes import Supported, Test, causes, work_up
from sural.neuropathy.certainty import Certainty, certainties, distal_loss, lost_ankle_reflexes, stage
from sural.neuropathy.character import fibres, predominance, process
from sural.neuropathy.pattern import NONE_FOUND, UNDETERMINED, Pattern
from sural.neuropathy.recognition import fingertips_wanted, patterns
from sural.neuropathy.red_flags import Raised, red_flags
from sural.neuropathy.signs import ALL_MUSCLES, LEGS, Signs

NOTES: dict[str, str] = {
    "adverse-finding-not-usable": "A finding could not be used: what it might show is not ruled out.",
    "power-not-tested": "Power was not tested: weakness is not excluded.",
    "small-fibres-not-tested": "Small fibres were not tested (pinprick, temperature).",
    "large-fibres-not-tested": "Large fibres were not tested (vibration, touch, position, reflexes).",
    "level-contradicted": "Single sites and the recorded level cannot both be right; the higher level is taken.",
    "boundary-not-shown": "No normal level above the loss was recorded: how far it reaches is open.",
    "conduction-normal-consider-small-fibre-test": "Nerve conduction is normal: consider a small-fibre test.",
    "low-confidence-age": "Only signs that healthy people from 60 have too: low confidence.",
    "one-sided-loss-does-not-count": "Sensation is lost on one side only; the definition asks for a symmetric decrease, so this loss does not count.",
    "diabetes-not-confirmed": "Diabetes is not recorded; the definition is one of diabetic neuropathy.",
    "mixed-fibre-by-sural-study": "The sural study is abnormal: a mixed-fibre neuropathy rather than one of small fibres.",
    "large-fibre-or-motor-sign": "A large-fibre or motor sign excludes this definition.",
    "table-from-memory": "Rows of the table from memory.",
    "wording-from-memory": "Wording of the definition from memory.",
    "sign-list-from-memory": "List of signs from memory.",
    "sural-amplitude-low-for-age": "The sural amplitude is low for the age.",
    "sural-amplitude-within-age": "The sural amplitude is what healthy people of this age have.",
    "cause-not-established": "The pattern does not establish the cause; other causes are to be excluded.",
    "process-needs-conduction": "Axonal or demyelinating is never established at the bedside; nerve conduction decides.",
}


class Classification(Struct, frozen=True):
    """Everything the neuropathy rules say of one examination."""

    signs: Signs
    patterns: tuple[Pattern, ...]
    code_when_none: str
    predominance: str
    fibres: str
    fibres_at_least: str | None
    process: str
    process_findings: tuple[Finding, ...]
    certainty: Mapping[str, Certainty]
    stage: Certainty | None
    autonomic: Autonomic
    red_flags: tuple[Raised, ...]
    causes: tuple[Supported, ...]
    work_up: tuple[Test, ...]
    notes: tuple[str, ...]
    conduction: Mapping[str, Any]

    @property
    def codes(self) -> list[str]:
        """The codes of the patterns that stand, or why there is none."""
        return [pattern.code for pattern in self.patterns] or [self.code_when_none]

    @property
    def standing_codes(self) -> list[str]:
        """The codes of the patterns that stand, none when there is none."""
        return [pattern.code for pattern in self.patterns]

    @property
    def impaired(self) -> bool:
        """Whether anything shows impaired sensation or power."""
        return bool(self.signs.lost_either) or self.signs.weak(ALL_MUSCLES).truth is YES

    @property
    def urgent(self) -> tuple[Raised, ...]:
        """The red flags that want the emergency route."""
        return tuple(raised for raised in self.red_flags if raised.flag.urgent)

    def findings(self) -> Iterator[Finding]:
        """Every finding that something in the classification rests on."""
        for extents in (*self.signs.legs.values(), *self.signs.arms.values()):
            for extent in extents.values():
                yield from extent.findings
        for pattern in self.patterns:
            yield from pattern.findings
        for certainty in self.certainty.values():
            yield from certainty.findings
        for raised in self.red_flags:
            yield from raised.findings
        for supported in self.causes:
            yield from supported.findings
        yield from self.process_findings
        yield from self.autonomic.abnormal


def classify(exam: Examination) -> Classification:
    """Classify one examination. What could not be used keeps open what it might have shown: it never leaves "none found"."""
    classified = _classify(exam)
    return _widened(classified, _classify(as_if_heard(exam))) if exam.unheard else classified


def _widened(classified: Classification, feared: Classification) -> Classification:
    """Certainties up to what they would be if everything that could not be used were true."""
    certainty = {id: one.up_to(feared.certainty[id]) for id, one in classified.certainty.items()}
    doubtful = classified.codes == [NONE_FOUND] and feared.codes != [NONE_FOUND]
    if certainty == classified.certainty and not doubtful:
        return classified
    when_none = UNDETERMINED if doubtful else classified.code_when_none
    notes = (*classified.notes, "adverse-finding-not-usable")
    return replace(classified, certainty=certainty, code_when_none=when_none, notes=notes)


def _classify(exam: Examination) -> Classification:
    signs = Signs(exam)
    found = autonomic(exam)
    standing = patterns(signs, found.abnormal)
    kind = predominance(signs)
    fibre, at_least = fibres(signs)
    how, evidence = process(signs, standing, kind)
    raised = red_flags(signs, standing)
    supported = causes(signs, standing)
    wanted = work_up(signs, standing, supported, how, fingertips_wanted(signs), bool(raised))
    return Classification(
        signs,
        tuple(standing),
        NONE_FOUND if not standing and _none_found(signs) else UNDETERMINED,
        kind,
        fibre,
        at_least,
        how,
        evidence,
        certainties(signs),
        stage(signs),
        found,
        tuple(raised),
        tuple(supported),
        tuple(wanted),
        tuple(_notes(signs, standing, at_least)),
        _conduction(signs),
    )


_CRITERION = {NO: "not-met", UNKNOWN: "unknown", YES: "met"}


def _conduction(signs: Signs) -> dict[str, Any]:
    """What the conduction values say by themselves: attributes outside their limits in two nerves, and the demyelinating range."""
    if electrodiagnosis.MEASURED.isdisjoint(signs.codes):
        return {}
    verdict, _ = electrodiagnosis.two_nerves(signs.exam)
    slow = [f"{one.nerve} {one.name}".strip() for one in electrodiagnosis.demyelinating_attributes(signs.exam)]
    return {"two-nerves-one-sural": _CRITERION[verdict], "demyelinating-range": list(dict.fromkeys(slow))}


_CONTRARY = ("allodynia", "hyperalgesia", "leg-weakness", "proximal-leg-pain", "foot-muscle-wasting")
_LOST = ("reduced", "absent")


def _contrary(exam: Examination) -> bool:
    """Whether something speaks for a neuropathy that no pattern takes up by itself (common practice, no source)."""
    return any(
        "present" in [limb.value(code) for code in _CONTRARY]
        or limb.value("knee-reflex") in _LOST
        or limb.value("monofilament-foot") in _LOST
        for limb in exam.limbs
    )


def _none_found(signs: Signs) -> bool:
    """None found only when sensation, reflexes and power were tested and nothing is wrong."""
    if _contrary(signs.exam):
        return False
    if distal_loss(signs).truth is not NO or lost_ankle_reflexes(signs).truth is not NO or signs.symptoms().truth is YES:
        return False
    return signs.weak(LEGS).truth is NO and not any(extent.high for extent in signs.of_legs)


def _notes(signs: Signs, standing: list[Pattern], at_least: str | None) -> Iterator[str]:
    lost = [extent for extent in signs.of_legs if extent.low]
    if lost and signs.weak(LEGS).truth is UNKNOWN:
        yield "power-not-tested"
    if at_least == "large":
        yield "small-fibres-not-tested"
    if at_least == "small":
        yield "large-fibres-not-tested"
    if any(extent.contradicted for extent in signs.of_legs):
        yield "level-contradicted"
    if lost and not any(extent.boundary for extent in lost):
        yield "boundary-not-shown"
    if standing:
        yield "cause-not-established"
    yield from electrodiagnosis.sural_for_age(signs.exam)
