"""What is no ledger of ours is said so, by each door, with what to do: never an internal failure, never an empty list."""

import sqlite3
from pathlib import Path

import pytest
from fastapi.testclient import TestClient

from sural.cli.main import main
from sural.ledger.database import SCHEMA, Unusable, look_at
from sural.ledger.store import Ledger
from sural.web.app import create_app
from tests.serving import Worker, free_port

NEWER = "9999"
COMMANDS = {
    "recall": (),
    "serve": (),
    "pull": ("--from", "http://127.0.0.1:9/fhir"),
    "notify": ("--settings", "settings.toml"),
}


def newer(folder: Path) -> str:
    """A ledger as a later version would leave it."""
    file = folder / "newer.sqlite"
    Ledger(f"sqlite:///{file}").engine.dispose()
    with sqlite3.connect(file) as connection:
        connection.execute("update alembic_version set version_num = ?", (NEWER,))
    connection.close()
    return f"sqlite:///{file}"


def other(folder: Path) -> str:
    """A file that is no database."""
    (folder / "other.sqlite").write_text("patient,name\n" * 100)
    return f"sqlite:///{folder / 'other.sqlite'}"


MADE = {"newer": (newer, f"newer than this version of Sural knows ({SCHEMA})"), "other": (other, "not a SQLite database")}


@pytest.mark.parametrize("kind", MADE)
@pytest.mark.parametrize("command", COMMANDS)
def test_each_command_says_what_is_wrong(
    command: str, kind: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """In words, with an exit status that is not 0, and nothing of the file's content."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "settings.toml").write_text("")
    make, telling = MADE[kind]

    status = main([command, "--database", make(tmp_path), *COMMANDS[command]])
    out, err = capsys.readouterr()

    assert status in (1, 2)
    assert telling in err and "internal failure" not in err and "patient,name" not in out + err


@pytest.mark.parametrize("kind", MADE)
def test_a_service_whose_ledger_became_unusable_is_not_ready(kind: str, tmp_path: Path) -> None:
    """503, which keeps requests away, as for a database that does not answer."""
    client = TestClient(create_app(database=MADE[kind][0](tmp_path)), raise_server_exceptions=False)

    assert [503, 503] == [client.get(path).status_code for path in ("/health/ready", "/fhir/RiskAssessment")]
    assert 200 == client.get("/health/live").status_code


def test_a_database_that_does_not_answer_is_no_fault_of_the_request(capsys: pytest.CaptureFixture[str]) -> None:
    """Exit status 1, as for whatever is not the caller's fault."""
    pytest.importorskip("psycopg", reason="PostgreSQL's driver is in the extra postgresql")

    status = main(["recall", "--database", f"postgresql://sural@127.0.0.1:{free_port()}/sural"])
    out, err = capsys.readouterr()

    assert (1, True, True) == (status, "ledger-unavailable" in out, "does not answer" in err)


def test_a_folder_that_is_not_there_is_said(tmp_path: Path) -> None:
    """Before the service listens, and when the ledger is opened."""
    url = f"sqlite:///{tmp_path / 'nowhere' / 'ledger.sqlite'}"

    with pytest.raises(Unusable, match="there is no such folder"):
        look_at(url)
    with pytest.raises(Unusable, match="No such file or directory"):
        Ledger(url)


def test_looking_makes_and_migrates_nothing(tmp_path: Path) -> None:
    """A ledger that is not there yet, in memory, or of an older schema is no fault, and stays as it is."""
    older = tmp_path / "older.sqlite"
    Ledger(f"sqlite:///{older}").engine.dispose()
    with sqlite3.connect(older) as connection:
        connection.execute("update alembic_version set version_num = '0001'")
    for url in ("sqlite://", f"sqlite:///{tmp_path / 'new.sqlite'}", f"sqlite:///{older}"):
        look_at(url)

    assert not (tmp_path / "new.sqlite").exists()
    assert [("0001",)] == connection.execute("select version_num from alembic_version").fetchall()
    connection.close()


def test_notifying_from_a_ledger_that_was_not_there_is_said(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A slip in the name must not read as nothing to send."""
    (tmp_path / "settings.toml").write_text('[outbound]\nsubscribers = ["https://screening.skerrow.example"]\n')

    status = main(["notify", "--once", "--settings", str(tmp_path / "settings.toml"), "--database", f"sqlite:///{tmp_path / 'none.sqlite'}"])

    assert 0 == status and "there was no such ledger" in capsys.readouterr().err


@pytest.mark.parametrize("port", ["-1", "65536", "99999999999", "http", "٣"])
def test_a_port_that_is_none_is_refused(port: str, capsys: pytest.CaptureFixture[str]) -> None:
    """Before anything is loaded, in words."""
    with pytest.raises(SystemExit) as ended:
        main(["serve", f"--port={port}"])

    assert 2 == ended.value.code and "not a port from 0 to 65535" in capsys.readouterr().err


def test_a_service_says_where_it_listens_and_who_comes_too_late_is_told(tmp_path: Path) -> None:
    """One line on standard error once it listens; a second process on the same port ends with 1."""
    first = Worker(f"sqlite:///{tmp_path / 'ledger.sqlite'}", tmp_path / "first.log")
    try:
        first.wait_for()
        second = Worker.__new__(Worker)
        second.__dict__.update(first.__dict__, _log=tmp_path / "second.log")
        second.start()
        status = second.process.wait(60)
    finally:
        first.end()

    assert f": {first.base}/ (" in (tmp_path / "first.log").read_text()
    assert 1 == status and "address already in use" in (tmp_path / "second.log").read_text()
