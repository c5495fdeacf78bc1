"""Every code of the neuropathy part of an answer, with its display: parts, values, case definitions, flags, causes, tests, signs, changes."""

from collections.abc import Iterator

from sural.neuropathy.autonomic import CODES as AUTONOMIC
from sural.neuropathy.causes import CAUSES, TESTS
from sural.neuropathy.certainty import DEVIGILI_LEVELS, ENGLAND_LEVELS, NOT_APPLICABLE, SMALL_FIBRE_LEVELS, STAGES, TORONTO_LEVELS
from sural.neuropathy.pattern import DISPLAYS as PATTERNS
from sural.neuropathy.reach import ANY, MODALITIES
from sural.neuropathy.red_flags import FLAGS

PARTS = {
    "classification": "Classification of a neuropathy",
    "pattern": "Pattern",
    "predominance": "Predominance",
    "fibres": "Fibres",
    "process": "Process",
    "red-flag": "Red flag",
    "cause": "Cause to consider",
    "work-up": "What to examine or test next",
    "autonomic-sign": "Autonomic sign",
    "change": "Change since an earlier examination",
}
PREDOMINANCE = {
    "sensory": "Sensory",
    "sensory-predominant": "Sensory more than motor",
    "sensorimotor": "Sensory and motor",
    "motor-predominant": "Motor predominant",
    "motor": "Motor",
}
FIBRES = {
    "small": "Small fibres",
    "large": "Large fibres",
    "mixed": "Small and large fibres",
    "none": "Neither small nor large fibres",
}
PROCESS = {"axonal-likely": "Axonal likely", "demyelinating-suspected": "Demyelinating suspected"}
UNKNOWN_VALUES = frozenset({"undetermined", "not-assessed"})
MODALITY_NAMES = {
    "light-touch": "light touch",
    "pinprick": "pinprick",
    "temperature": "temperature",
    "vibration": "vibration",
    "joint-position": "joint position",
    "monofilament": "10 g monofilament",
    ANY.name: "sensation, modality not stated",
}
DEFINITIONS: dict[str, tuple[str, tuple[str, ...]]] = {
    "toronto-2010": ("Toronto 2010, diabetic sensorimotor polyneuropathy", (*TORONTO_LEVELS, NOT_APPLICABLE)),
    "toronto-2010-stage": ("Toronto 2010, stage", STAGES),
    "toronto-2010-small-fibre": ("Toronto 2010, small-fibre neuropathy", SMALL_FIBRE_LEVELS),
    "devigili-2008": ("Devigili 2008, small-fibre neuropathy", DEVIGILI_LEVELS),
    "devigili-2019": ("Devigili 2019, small-fibre neuropathy", DEVIGILI_LEVELS),
    "aan-2005": ("Case definition of distal symmetric polyneuropathy, England 2005", ENGLAND_LEVELS),
}
LEVEL_CODES = {"-": "least-likely", "+": "likelihood-1", "++": "likelihood-2", "+++": "likelihood-3", "++++": "likelihood-4"}
CHANGES: dict[str, str] = {
    "reach-rising": "The loss reaches further up",
    "reach-falling": "The loss reaches less far up",
    "score-rising": "The score has risen",
    "score-falling": "The score has fallen",
    "protective-sensation-newly-lost": "Protective sensation is newly lost",
    "protective-sensation-regained": "Protective sensation is no longer lost",
}


def level_code(definition: str, level: str) -> str:
    """The code of one level of a case definition."""
    return f"{definition}.{LEVEL_CODES.get(level, level)}"


def _all() -> Iterator[tuple[str, str]]:
    yield from PARTS.items()
    for name, words in MODALITY_NAMES.items():
        yield f"level-{name}", f"How far up the leg: {words}"
        if name in {modality.name for modality in (*MODALITIES, ANY)}:
            yield f"hand-level-{name}", f"How far up the arm: {words}"
    yield from PATTERNS.items()
    yield from PREDOMINANCE.items()
    yield from FIBRES.items()
    yield from PROCESS.items()
    yield "not-assessed", "Not assessed"
    for definition, (title, levels) in DEFINITIONS.items():
        yield definition, title
        for level in levels:
            yield level_code(definition, level), f"{title}: {level.replace('-', ' ') if len(level) > 4 else level}"
    yield from ((flag.code, flag.text) for flag in FLAGS)
    yield from ((cause.code, cause.text) for cause in CAUSES)
    yield from ((code, test.text) for code, test in TESTS.items())
    yield from AUTONOMIC.items()
    yield from CHANGES.items()


def _once(pairs: Iterator[tuple[str, str]]) -> dict[str, str]:
    """The codes with their displays. Raises ValueError when one code would mean two things."""
    codes: dict[str, str] = {}
    for code, display in pairs:
        if codes.setdefault(code, display) != display:
            raise ValueError(f"{code!r} means {codes[code]!r} and {display!r}")
    return codes


CODES: dict[str, str] = _once(_all())
