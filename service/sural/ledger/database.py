"""The database under the ledger: SQLite in one file, or PostgreSQL for many workers; opened, and brought to the newest schema.

Writing transactions follow each other: on SQLite they take the write lock when they begin, on PostgreSQL an advisory lock. So the numbers of
the change feed are in the order in which changes became visible, and nobody who follows it misses one. For that a writer must see what was
there when it got the lock, not when it began to wait: isolation levels are set here, whatever the server's default is.
"""

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from sqlite3 import SQLITE_CORRUPT, SQLITE_ERROR, SQLITE_NOTADB
from sqlite3 import DatabaseError as SqliteFault
from sqlite3 import OperationalError as SqliteError
from threading import Lock
from typing import Any

from sqlalchemy import URL, Connection, Engine, Table, create_engine, event, inspect, make_url, select, text
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.engine.interfaces import DBAPIConnection, DBAPICursor
from sqlalchemy.exc import ArgumentError, DBAPIError, OperationalError
from sqlalchemy.exc import TimeoutError as NoneFree
from sqlalchemy.pool import ConnectionPoolEntry, QueuePool
from tenacity import retry, retry_if_exception_type, stop_after_delay, wait_random

SCHEMA = "0005"
"""The newest revision under `migrations`."""
LOCK = 0x53_75_72_61_6C
"""The number of the advisory lock that writers take on PostgreSQL."""
_WRITING = "sural_writing"
PATIENCE = 30
"""Seconds that a writer waits for those before it."""
POOL = {"pool_size": 10, "max_overflow": 10, "pool_timeout": 10, "pool_pre_ping": True}
"""Connections of one process to PostgreSQL: kept, more when needed, seconds that one waits for one, and that each is tried before it is used."""
_REACHING = {"connect_timeout": 5, "keepalives_idle": 30, "keepalives_interval": 10, "keepalives_count": 3}
_SETTINGS = {
    "jit": "off",  # short statements: compiling one takes longer than running it
    "idle_in_transaction_session_timeout": "30s",  # the lock of a worker whose machine is gone
    "lock_timeout": f"{PATIENCE}s",
}
_AGAIN = ("40001", "40P01", "57P01", "57P02", "57P03")
"""SQLSTATE of what may go well at once: not serializable, deadlock, and a server that is stopped or started."""


class Unavailable(ValueError):
    """The database does not answer, or not in time. `soon` says that the same may go well at once."""

    def __init__(self, text: str = "the database of the ledger does not answer", soon: bool = False) -> None:
        super().__init__(text)
        self.soon = soon


class Unusable(ValueError):
    """What stands at the address is no ledger that this version can use: no SQLite database, a file that cannot be opened, or of a newer schema. The text says what to do."""


class Database:
    """An engine whose schema is the newest. `sqlite://` keeps everything in memory, in one connection."""

    def __init__(self, url: str) -> None:
        """Opens the database, makes a SQLite file that is not there, and migrates. Raises ValueError for a database of another kind,
        Unusable for what cannot be a ledger of ours, Unavailable for one that cannot be reached."""
        self.engine = _engine(url)
        self._writer = self.engine.execution_options(**{_WRITING: True})
        one_state = {} if self.is_sqlite else {"isolation_level": "REPEATABLE READ", "postgresql_readonly": True}
        self._reader = self.engine.execution_options(**one_state)
        self._turn = Lock()
        with _told_apart():
            current = _current(self.engine)
        if not current:
            with self.writing() as connection:
                _migrate(connection)

    @property
    def is_sqlite(self) -> bool:
        return self.engine.dialect.name == "sqlite"

    @contextmanager
    def reading(self) -> Iterator[Connection]:
        """A connection that sees one state of the database. Raises Unavailable."""
        with _told_apart(), self._reader.connect() as connection:
            yield connection

    @contextmanager
    def writing(self) -> Iterator[Connection]:
        """A transaction that no other writing one overlaps; everything in it, or nothing. Raises Unavailable, also when it cannot be known
        whether the end of the transaction was still heard.

        Those of one process wait for each other before they take a connection, so that writers leave some to readers.
        """
        if not self._turn.acquire(timeout=PATIENCE):
            raise Unavailable("others write for too long")
        try:
            with _told_apart(), self._writer.begin() as connection:
                if not self.is_sqlite:
                    connection.execute(text("select pg_advisory_xact_lock(:lock)"), {"lock": LOCK})
                yield connection
        finally:
            self._turn.release()

    @contextmanager
    def noting(self) -> Iterator[Connection]:
        """A short transaction whose changes are no part of the feed: on PostgreSQL it waits for no writer. Raises Unavailable."""
        with _told_apart(), self._writer.begin() as connection:
            yield connection

    def answers(self) -> None:
        """Raises Unavailable when the database does not answer now."""
        with self.reading() as connection:
            connection.execute(text("select 1"))

    def insert(self, table: Table) -> "sqlite.Insert | postgresql.Insert":
        """An insert that may say what happens on conflict."""
        return sqlite.insert(table) if self.is_sqlite else postgresql.insert(table)


def is_known(url: str) -> str:
    """The kind of database that an address leads to. Raises ValueError for one that is not taken."""
    try:
        kind = make_url(url).get_backend_name()
    except ArgumentError:
        kind = ""
    if kind not in ("sqlite", "postgresql"):
        raise ValueError("the ledger is a SQLite file, such as sqlite:///sural.sqlite, or PostgreSQL, such as postgresql://HOST/NAME")
    return kind


def lasts(url: str) -> bool:
    """Whether what is kept there outlives the process. Raises ValueError for an address that is not taken."""
    return is_known(url) != "sqlite" or bool(make_url(url).database)


def is_there(url: str) -> bool:
    """Whether there is something to open: a SQLite file that exists, or a server. Raises ValueError for an address that is not taken."""
    is_sqlite, database = is_known(url) == "sqlite", make_url(url).database
    return not is_sqlite or not database or Path(database).is_file()


def look_at(url: str) -> None:
    """Look at a database without bringing it to the newest schema. Raises Unusable; a database that does not answer now, or is not there yet, is no fault."""
    there, database = is_there(url), make_url(url).database
    if not there and database and not Path(database).parent.is_dir():
        raise Unusable(f"the ledger {database} cannot be made: there is no such folder")
    if there and database:
        engine = _engine(url)
        try:
            with _told_apart():
                _current(engine)
        except Unavailable:
            pass
        finally:
            engine.dispose()


def _engine(url: str) -> Engine:
    kind, address = is_known(url), make_url(url)
    if kind == "postgresql":
        return _postgresql(address)
    if address.database:
        try:
            Path(address.database).touch(mode=0o600)
        except OSError as fault:
            raise Unusable(f"the ledger {address.database} cannot be opened: {fault.strerror}") from None
        engine = create_engine(address)
    else:
        alone = {"check_same_thread": False}
        engine = create_engine(address, poolclass=QueuePool, pool_size=1, max_overflow=0, connect_args=alone)
    event.listen(engine, "connect", _settle)
    event.listen(engine, "begin", _begin)
    return engine


def _postgresql(address: URL) -> Engine:
    """What the address itself says of the connection goes before what is set here."""
    given = address.query.get("options", "")
    options = " ".join([*(f"-c {name}={value}" for name, value in _SETTINGS.items()), given if isinstance(given, str) else " ".join(given)])
    own: dict[str, Any] = {name: value for name, value in _REACHING.items() if name not in address.query}
    address = address.difference_update_query(["options"]).set(drivername="postgresql+psycopg")
    try:
        return create_engine(address, isolation_level="READ COMMITTED", connect_args={**own, "options": options.strip()}, **POOL)
    except ImportError:
        raise ValueError("PostgreSQL needs its driver: pip install '.[postgresql]' in a clone of Sural") from None


@contextmanager
def _told_apart() -> Iterator[None]:
    """Failures of the database that are no fault of a statement become Unavailable."""
    try:
        yield
    except NoneFree:
        raise Unavailable("no connection to the database of the ledger is free") from None
    except SqliteFault as fault:  # of the settings that a new connection gets
        _refuse_no_database(fault)
        raise
    except DBAPIError as fault:
        _refuse_no_database(fault.orig)
        state = getattr(fault.orig, "sqlstate", None)
        code = getattr(fault.orig, "sqlite_errorcode", None)
        faulty = not isinstance(fault, OperationalError) or (code is not None and code & 0xFF == SQLITE_ERROR)
        if faulty and not fault.connection_invalidated and state not in _AGAIN:
            raise
        unreached = code is None and (state is None or state.startswith("08"))
        raise Unavailable(soon=fault.connection_invalidated or unreached or state in _AGAIN) from None


def _refuse_no_database(fault: BaseException | None) -> None:
    if (getattr(fault, "sqlite_errorcode", None) or 0) & 0xFF in (SQLITE_NOTADB, SQLITE_CORRUPT):
        raise Unusable("the ledger is not a SQLite database, or its file is damaged: name another file, or restore it") from None


def _settle(connection: DBAPIConnection, _: ConnectionPoolEntry) -> None:
    connection.isolation_level = None  # transactions begin where we say, not where the driver thinks
    cursor = connection.cursor()
    # full: with normal a write-ahead log loses what was acknowledged when the power fails
    for setting in ("busy_timeout = 10000", "synchronous = full", "foreign_keys = on", "cache_size = -65536", "wal_autocheckpoint = 10000", "mmap_size = 1073741824"):
        cursor.execute(f"pragma {setting}")
    _write_ahead(cursor)
    cursor.close()


@retry(retry=retry_if_exception_type(SqliteError), wait=wait_random(0.01, 0.1), stop=stop_after_delay(10), reraise=True)
def _write_ahead(cursor: DBAPICursor) -> None:
    """Ask for a write-ahead log. When several open a new file at once SQLite does not wait here, whatever its timeout says."""
    cursor.execute("pragma journal_mode")
    mode = cursor.fetchone()
    if mode is None or mode[0] != "wal":
        cursor.execute("pragma journal_mode = wal")


def _begin(connection: Connection) -> None:
    writing = connection.get_execution_options().get(_WRITING)
    connection.exec_driver_sql("begin immediate" if writing else "begin")


def _current(engine: Engine) -> bool:
    """Whether the schema is the newest. Raises Unusable when it is newer than that."""
    if not inspect(engine).has_table("alembic_version"):
        return False
    with engine.connect() as connection:
        found = str(connection.scalar(select(text("version_num")).select_from(text("alembic_version"))) or "")
    if found > SCHEMA:
        raise Unusable(f"the ledger has schema {found}, newer than this version of Sural knows ({SCHEMA}): install the version that wrote it")
    return found == SCHEMA


def _migrate(connection: Connection) -> None:
    """Bring the schema to the newest revision; whoever waited for the lock finds it done."""
    from alembic import command
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", str(Path(__file__).with_name("migrations")))
    config.attributes["connection"] = connection
    command.upgrade(config, "head")
