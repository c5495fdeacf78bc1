"""The ledger: marks, runs and work survive; a run is taken up again and never doubled."""

from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import create_engine, text

from sural.ledger import answers, database, tables
from sural.ledger.resources import Resources
from sural.ledger.store import METADATA, Ledger

EHR = "https://ehr.skerrow.example/fhir"
UNTIL = "2026-03-02T18:00:00Z"


def test_a_mark_is_kept(url: str) -> None:
    """Per source and kind; the last one stands, also for the next process."""
    Ledger(url).set_mark(EHR, "changes", "2026-03-01T00:00:00Z")
    Ledger(url).set_mark(EHR, "changes", UNTIL)

    assert UNTIL == Ledger(url).mark(EHR, "changes")
    assert Ledger(url).mark(EHR, "answers") is None


def test_an_unfinished_run_is_taken_up_with_its_own_end(url: str) -> None:
    """What was not done is still open, what was done is not."""
    ledger = Ledger(url)
    run = ledger.begin_run(EHR, UNTIL)
    ledger.add_work(run, ["a", "b", "c"])
    ledger.done(run, "b", "assessed")
    again = Ledger(url)

    assert run == again.begin_run(EHR, "2026-03-09T00:00:00Z")
    assert ["a", "c"] == again.open_work(run, 10)
    assert ["a"] == again.open_work(run, 1)


def test_listing_again_adds_nothing_that_is_there(url: str) -> None:
    """Somebody who is done does not become due again in the same run."""
    ledger = Ledger(url)
    run = ledger.begin_run(EHR, UNTIL)
    ledger.add_work(run, ["a", "b"])
    ledger.done(run, "a", "assessed")
    ledger.add_work(run, ["a", "b", "c"])
    ledger.add_work(run, [])

    assert ["b", "c"] == ledger.open_work(run, 10)


def test_who_is_put_off_again_is_open_again(url: str) -> None:
    """Done or new, they are not lost."""
    ledger = Ledger(url)
    run = ledger.begin_run(EHR, UNTIL)
    ledger.add_work(run, ["a"])
    ledger.done(run, "a", "assessed")
    ledger.put_off(run, ["a"])
    ledger.put_off(run, ["b"])

    assert ["a", "b"] == ledger.open_work(run, 10)


def test_a_finished_run_moves_the_mark_and_forgets_its_patients(url: str) -> None:
    """The next one is new."""
    ledger = Ledger(url)
    run = ledger.begin_run(EHR, UNTIL)
    ledger.add_work(run, ["a"])
    ledger.done(run, "a", "assessed")
    before = ledger.mark(EHR, "changes")
    ledger.finish_run(run)

    assert (None, UNTIL) == (before, ledger.mark(EHR, "changes"))
    assert run != ledger.begin_run(EHR, UNTIL)


def test_a_run_without_an_end_moves_no_mark(url: str) -> None:
    """The list of those who were put off."""
    ledger = Ledger(url)
    ledger.finish_run(ledger.begin_run(EHR, ""))

    assert ledger.mark(EHR, "changes") is None


def test_sources_do_not_mix(url: str) -> None:
    """Two record systems, two runs."""
    ledger = Ledger(url)
    one, other = ledger.begin_run(EHR, UNTIL), ledger.begin_run("https://other.example/fhir", UNTIL)
    ledger.add_work(one, ["a"])

    assert [] == ledger.open_work(other, 10)


def test_what_was_acknowledged_is_on_disk(tmp_path: Path) -> None:
    """SQLite's write-ahead log loses the last transactions when the power fails, unless each is synced (its documentation, pragma synchronous: 2 is FULL)."""
    with Ledger(f"sqlite:///{tmp_path / 'ledger.sqlite'}").database.writing() as connection:
        assert ("wal", 2) == (connection.scalar(text("pragma journal_mode")), connection.scalar(text("pragma synchronous")))


def test_only_its_owner_reads_the_ledger(tmp_path: Path) -> None:
    """P2: it names patients."""
    file = tmp_path / "ledger.sqlite"
    Ledger(f"sqlite:///{file}")

    assert 0o600 == file.stat().st_mode & 0o777


def test_in_memory_nothing_is_left(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """`sqlite://`, as a dry run uses it."""
    monkeypatch.chdir(tmp_path)
    ledger = Ledger("sqlite://")
    run = ledger.begin_run(EHR, UNTIL)
    ledger.add_work(run, ["a"])

    assert ["a"] == ledger.open_work(run, 10)
    assert [] == list(tmp_path.iterdir())


def test_another_database_is_refused() -> None:
    """At the start, in words."""
    with pytest.raises(ValueError, match="SQLite"):
        Ledger("mysql://localhost/x")


_BEFORE_STEPS = (
    "create table mark (source varchar not null, kind varchar not null, instant varchar not null, primary key (source, kind))",
    f"insert into mark values ('{EHR}', 'changes', '{UNTIL}')",
)


def test_a_ledger_from_before_there_were_steps_is_brought_up(url: str) -> None:
    """Alembic: what it has stays, what it lacks is made; the second opening changes nothing."""
    engine = create_engine(url)
    with engine.begin() as connection:
        for statement in _BEFORE_STEPS:
            connection.execute(text(statement))
    engine.dispose()

    assert [UNTIL, UNTIL] == [Ledger(url).mark(EHR), Ledger(url).mark(EHR)]
    assert 0 == Resources(Ledger(url)).last()


def test_the_steps_make_the_tables_that_the_code_has(url: str) -> None:
    """Alembic's own comparison finds no difference between the migrated database and the tables of the code."""
    assert {answers.ANSWERS.metadata, tables.CHANGE.metadata} == {METADATA}
    with Ledger(url).database.reading() as connection:
        assert [] == compare_metadata(MigrationContext.configure(connection), METADATA)


def test_the_newest_step_is_the_one_that_the_code_asks_for() -> None:
    """A ledger at that revision is opened without running anything."""
    folder = Path(database.__file__).with_name("migrations")

    assert database.SCHEMA == ScriptDirectory(str(folder)).get_current_head()


def test_two_processes_may_open_a_new_ledger_at_once(url: str) -> None:
    """One makes the tables, the others wait and find them."""
    with ThreadPoolExecutor(4) as pool:
        assert [None] * 4 == list(pool.map(lambda _: Ledger(url).mark(EHR), range(4)))
