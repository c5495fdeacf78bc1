"""Answers in the ledger: one current one per examination, by constraint; what stood before stays as history."""

import msgspec
import pytest
from sqlalchemy.exc import IntegrityError

from sural.ledger.answers import ANSWERS, Answers, Noted, Place
from sural.ledger.store import RUNS, Ledger

EHR = "https://ehr.skerrow.example/fhir"
FIRST = Noted("Patient/1", "exam", "c1", "2026-03-02", "sent", frozenset({"Observation/1"}), (Place("foot-risk", "Observation"),))


@pytest.fixture
def ledger(url: str) -> Ledger:
    return Ledger(url)


def test_an_answer_is_kept_with_its_inputs_and_places(ledger: Ledger) -> None:
    """Interop E2: what was written where, from what, and whether its arrival is known."""
    answers = Answers(ledger, EHR)
    answers.note(FIRST)
    arrived = msgspec.structs.replace(FIRST, state="acknowledged", places=(Place("foot-risk", "Observation", "7", "1"),))
    answers.note(arrived)

    assert arrived == answers.current("exam")
    assert [arrived] == answers.of_subject("Patient/1")
    assert ["c1"] == answers.history("exam")


def test_another_content_takes_the_place_and_the_first_stays_as_history(ledger: Ledger) -> None:
    """Interop E8: never a silent overwrite."""
    answers = Answers(ledger, EHR)
    amended = msgspec.structs.replace(FIRST, content="c2")
    answers.note(FIRST)
    answers.note(amended)

    assert amended == answers.current("exam")
    assert ["c1", "c2"] == answers.history("exam")


def test_a_withdrawn_answer_is_not_current(ledger: Ledger) -> None:
    """And may come back."""
    answers = Answers(ledger, EHR)
    answers.note(FIRST)
    answers.withdraw("exam")
    gone = answers.current("exam")
    answers.note(FIRST)

    assert (None, FIRST) == (gone, answers.current("exam"))


def test_record_systems_do_not_mix(ledger: Ledger) -> None:
    """The same examination in two systems is two answers."""
    Answers(ledger, EHR).note(FIRST)

    assert Answers(ledger, "https://other.example/fhir").current("exam") is None


def test_two_current_answers_are_refused_by_the_store(ledger: Ledger) -> None:
    """Interop E2: uniqueness comes from the store, not from looking first."""
    Answers(ledger, EHR).note(FIRST)
    row = {
        "source": EHR,
        "examination": "exam",
        "subject": "Patient/1",
        "content": "c2",
        "examined": "",
        "state": "sent",
        "current": True,
    }

    with pytest.raises(IntegrityError), ledger.engine.begin() as connection:
        connection.execute(ANSWERS.insert().values(sequence=2, **row))


def test_two_unfinished_runs_of_a_source_are_refused_by_the_store(ledger: Ledger) -> None:
    """Two pulls that begin at the same moment work on the same run."""
    ledger.begin_run(EHR, "2026-03-02T00:00:00Z")

    with pytest.raises(IntegrityError), ledger.engine.begin() as connection:
        connection.execute(RUNS.insert().values(source=EHR, until="", finished=0))
