"""The ledger: marks, runs, work.

Short transactions, so that a process that is killed leaves what it finished and nothing half done (write-ahead log). A run's patients are
forgotten when the run is finished: the ledger keeps no list of patients for longer than it is needed.
"""

from collections.abc import Iterable

from sqlalchemy import Column, ForeignKey, Index, Integer, MetaData, String, Table, delete, select, update

from sural.ledger.database import Database

CHANGES = "changes"
"""The kind of mark that a finished run sets."""
METADATA = MetaData()
MARKS = Table(
    "mark", METADATA,
    Column("source", String, primary_key=True), Column("kind", String, primary_key=True), Column("instant", String, nullable=False),
)  # fmt: skip
RUNS = Table(
    "run", METADATA,
    Column("id", Integer, primary_key=True), Column("source", String, nullable=False, index=True),
    Column("until", String, nullable=False), Column("finished", Integer, nullable=False, default=0),
)  # fmt: skip
_UNFINISHED = RUNS.c.finished == 0
Index("one_unfinished_run", RUNS.c.source, unique=True, sqlite_where=_UNFINISHED, postgresql_where=_UNFINISHED)
WORK = Table(
    "work", METADATA,
    Column("run", ForeignKey("run.id"), primary_key=True), Column("patient", String, primary_key=True), Column("outcome", String),
)  # fmt: skip


class Ledger:
    """Marks, runs and work in a SQLite file or in PostgreSQL; `sqlite://` keeps them in memory only.

    A source is a record system, by the address of its FHIR endpoint. Instants are FHIR instants.
    """

    def __init__(self, url: str) -> None:
        """Opens the ledger, makes it when it is not there. Raises ValueError for another kind of database."""
        self.database = Database(url)
        self.engine = self.database.engine

    def mark(self, source: str, kind: str = CHANGES) -> str | None:
        """Up to when something has been done, or None."""
        with self.database.reading() as connection:
            return connection.scalar(select(MARKS.c.instant).where(MARKS.c.source == source, MARKS.c.kind == kind))

    def set_mark(self, source: str, kind: str, instant: str) -> None:
        """Something has been done up to an instant."""
        row = self.database.insert(MARKS).values(source=source, kind=kind, instant=instant)
        with self.database.writing() as connection:
            connection.execute(row.on_conflict_do_update(index_elements=["source", "kind"], set_={"instant": instant}))

    def begin_run(self, source: str, until: str) -> int:
        """The run of a source that is not finished, with the end that it was begun with; else a new one up to an instant."""
        with self.database.writing() as connection:
            connection.execute(self.database.insert(RUNS).values(source=source, until=until, finished=0).on_conflict_do_nothing())
            return int(connection.execute(select(RUNS.c.id).where(RUNS.c.source == source, _UNFINISHED)).scalar_one())

    def add_work(self, run: int, patients: Iterable[str]) -> None:
        """Patients who are due. Those of the run already stay as they are, done or not."""
        rows = [{"run": run, "patient": patient} for patient in patients]
        if rows:
            with self.database.writing() as connection:
                connection.execute(self.database.insert(WORK).on_conflict_do_nothing(), rows)

    def put_off(self, run: int, patients: Iterable[str]) -> None:
        """Patients of a run who are to be done, also those who were done already."""
        rows = [{"run": run, "patient": patient} for patient in patients]
        if rows:
            row = self.database.insert(WORK)
            with self.database.writing() as connection:
                connection.execute(row.on_conflict_do_update(index_elements=["run", "patient"], set_={"outcome": None}), rows)

    def open_work(self, run: int, limit: int) -> list[str]:
        """Patients of a run who are not done, in the order of their ids."""
        wanted = select(WORK.c.patient).where(WORK.c.run == run, WORK.c.outcome.is_(None)).order_by(WORK.c.patient).limit(limit)
        with self.database.reading() as connection:
            return list(connection.scalars(wanted))

    def done(self, run: int, patient: str, outcome: str) -> None:
        """A patient of a run is done, and what became of them."""
        with self.database.writing() as connection:
            connection.execute(update(WORK).where(WORK.c.run == run, WORK.c.patient == patient).values(outcome=outcome))

    def finish_run(self, run: int) -> None:
        """Everybody of a run is done: the mark moves to its end, and its patients are forgotten. A run without an end moves no mark."""
        with self.database.writing() as connection:
            source, until = connection.execute(select(RUNS.c.source, RUNS.c.until).where(RUNS.c.id == run)).one()
            if until:
                row = self.database.insert(MARKS).values(source=source, kind=CHANGES, instant=until)
                connection.execute(row.on_conflict_do_update(index_elements=["source", "kind"], set_={"instant": until}))
            connection.execute(update(RUNS).where(RUNS.c.id == run).values(finished=1))
            connection.execute(delete(WORK).where(WORK.c.run == run))

