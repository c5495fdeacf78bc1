"""The database under the ledger: SQLite in one file, or PostgreSQL for many workers; opened, and brought to the newest schema.

Writing transactions follow each other: on SQLite they take the write lock when they begin, on PostgreSQL those that store answers take an
advisory lock. So the numbers of the change feed are in the order in which changes became visible, and nobody who follows it misses one.
"""

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from sqlite3 import OperationalError as SqliteError

from sqlalchemy import Connection, Engine, Table, create_engine, event, inspect, make_url, select, text
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.engine.interfaces import DBAPIConnection, DBAPICursor
from sqlalchemy.exc import ArgumentError, OperationalError
from sqlalchemy.pool import ConnectionPoolEntry, QueuePool
from tenacity import retry, retry_if_exception_type, stop_after_delay, wait_random

SCHEMA = "0002"
"""The newest revision under `migrations`."""
_LOCK = 0x53_75_72_61_6C
_WRITING = "sural_writing"


class Database:
    """An engine whose schema is the newest. `sqlite://` keeps everything in memory, in one connection."""

    def __init__(self, url: str) -> None:
        """Opens the database, makes a SQLite file that is not there, and migrates. Raises ValueError for a database of another kind, or one
        that cannot be reached."""
        self.engine = _engine(url)
        self._writer = self.engine.execution_options(**{_WRITING: True})
        try:
            if not _current(self.engine):
                with self.writing() as connection:
                    _migrate(connection)
        except OperationalError:
            raise ValueError("the database of the ledger does not answer") from None

    @property
    def is_sqlite(self) -> bool:
        return self.engine.dialect.name == "sqlite"

    @contextmanager
    def reading(self) -> Iterator[Connection]:
        """A connection that sees one state of the database."""
        with self.engine.connect() as connection:
            yield connection

    @contextmanager
    def writing(self) -> Iterator[Connection]:
        """A transaction that no other writing one overlaps; everything in it, or nothing."""
        with self._writer.begin() as connection:
            if not self.is_sqlite:
                connection.execute(text("select pg_advisory_xact_lock(:lock)"), {"lock": _LOCK})
            yield connection

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


def _engine(url: str) -> Engine:
    kind, address = is_known(url), make_url(url)
    if kind == "postgresql":
        try:
            own = {} if "options" in address.query else {"options": "-c jit=off"}  # short statements: compiling one takes longer than running it
            return create_engine(address.set(drivername="postgresql+psycopg"), pool_pre_ping=True, connect_args=own)
        except ImportError:
            raise ValueError("PostgreSQL needs its driver: pip install 'sural[postgresql]'") from None
    if address.database:
        Path(address.database).touch(mode=0o600)
        engine = create_engine(address)
    else:
        alone = {"check_same_thread": False}
        engine = create_engine(address, poolclass=QueuePool, pool_size=1, max_overflow=0, connect_args=alone)
    event.listen(engine, "connect", _settle)
    event.listen(engine, "begin", _begin)
    return engine


def _settle(connection: DBAPIConnection, _: ConnectionPoolEntry) -> None:
    connection.isolation_level = None  # transactions begin where we say, not where the driver thinks
    cursor = connection.cursor()
    for setting in ("busy_timeout = 10000", "synchronous = normal", "foreign_keys = on", "cache_size = -65536", "wal_autocheckpoint = 10000", "mmap_size = 1073741824"):
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
    if not inspect(engine).has_table("alembic_version"):
        return False
    with engine.connect() as connection:
        return bool(connection.scalar(select(text("version_num")).select_from(text("alembic_version"))) == SCHEMA)


def _migrate(connection: Connection) -> None:
    """Bring the schema to the newest revision; whoever waited for the lock finds it done."""
    from alembic import command
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", str(Path(__file__).with_name("migrations")))
    config.attributes["connection"] = connection
    command.upgrade(config, "head")
