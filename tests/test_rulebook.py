"""Rules that are not asked cannot have held: a rulebook gives what asking every rule gives."""

from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sural.evidence.rulebook import Rulebook
from sural.neuropathy.causes import CAUSES
from sural.neuropathy.pattern import RULES
from sural.neuropathy.red_flags import FLAGS
from sural.neuropathy.scores import TABLES
from sural.neuropathy.signs import Signs
from tests.builders import Exam
from tests.pieces import examination

LEVELS = ("sensory-level-pinprick", "hand-sensory-level-vibration", "sensory-level")
ANSWERS: dict[str, tuple[str, ...]] = {
    "ankle-reflex": ("normal", "absent", "clonus"), "knee-reflex": ("normal", "brisk", "absent"), "plantar-response": ("extensor", "flexor"),
    "power-ankle-dorsiflexion": ("5", "3"), "power-hip-flexion": ("5", "4"), "foot-deformity": ("present", "absent"),
    "foot-pain-neuropathic": ("present", "absent"), "sensory-level-pinprick": ("none", "knee"), "sensory-level": ("none", "ankle"),
    "hand-sensory-level-vibration": ("none", "hand"), "amputation": ("none", "toe", "below-knee"), "foot-ulcer": ("present", "absent"),
}  # fmt: skip
OF_THE_PERSON: dict[str, tuple[str, ...]] = {
    "gait": ("normal", "ataxic"), "romberg": ("positive", "negative"), "symptom-quality": ("none", "fatigue-cramp-aching"), "symptom-course": ("acute", "chronic"),
    "weight-loss": ("present", "absent"), "vegan-diet": ("present", "absent"), "metformin": ("present", "absent"), "sensory-level-trunk": ("present", "absent"),
    "diabetes": ("type-1", "type-2", "absent"),
}  # fmt: skip


@st.composite
def exams(draw: st.DrawFn) -> Any:
    """Invented examinations of a few findings."""
    exam = Exam()
    for code in draw(st.sets(st.sampled_from(sorted(ANSWERS)), max_size=6)):
        for side in draw(st.sampled_from((("left",), ("right",), ("left", "right")))):
            exam.see(code, draw(st.sampled_from(ANSWERS[code])), side)
    for code in draw(st.sets(st.sampled_from(sorted(OF_THE_PERSON)), max_size=4)):
        exam.see(code, draw(st.sampled_from(OF_THE_PERSON[code])))
    return examination(exam.bundle())


def test_a_rule_that_reads_nothing_is_always_asked() -> None:
    """Some rules rest on levels of sensation, not on single concepts."""
    book = Rulebook(("always", "callus"), lambda rule: frozenset() if rule == "always" else frozenset({rule}))

    assert ("always",) == book.about(frozenset())
    assert ("always", "callus") == book.about(frozenset({"callus", "fissure"}))


@given(exams())
@settings(deadline=None, max_examples=60)
def test_an_item_that_is_not_asked_is_open(exam: Any) -> None:
    """An item of which nothing was recorded can have any of its points: asking it says the same."""
    for table in TABLES:
        chosen = table.adjust(exam, table) if table.adjust else table
        assert tuple(item.points(exam) for item in chosen.items) == table.score(exam).points, table.id


@given(exams(), st.sets(st.sampled_from(sorted(RULES))))
@settings(deadline=None, max_examples=60)
def test_a_cause_or_flag_that_is_not_asked_finds_nothing(exam: Any, standing: set[str]) -> None:
    """Whatever the patterns: without the concepts it reads, or the pattern it follows, there is nothing to find."""
    signs, codes = Signs(exam), frozenset(standing)

    for flag in FLAGS:
        if flag not in FLAGS.about(signs.codes):
            assert not flag.test(signs, codes), flag.code
    for cause in CAUSES:
        if cause not in CAUSES.about(signs.codes):
            assert not cause.test(signs, codes), cause.code


@pytest.mark.parametrize("table", TABLES, ids=lambda table: table.id)
def test_every_item_names_what_it_reads(table: Any) -> None:
    """An item without concepts would be asked always and never be missed."""
    assert all(item.concepts for item in table.items)
