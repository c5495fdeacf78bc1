"""The recall round of the Skerrow Islands community foot service: examinations in, the list of 2 March 2026 out, as the clerk gets it."""

from datetime import date
from pathlib import Path

import orjson
import pytest

from sural.cli.main import main
from sural.ledger.keeping import keep
from sural.ledger.resources import Resources
from sural.ledger.store import Ledger
from tests.asking import answer_of

FOLDER = Path(__file__).parents[1] / "fixtures" / "recall"


def _stored(url: str, lines: list[bytes]) -> None:
    resources = Resources(Ledger(url))
    for line in lines:
        content = orjson.loads(line)
        day = max(entry["resource"].get("effectiveDateTime", "")[:10] for entry in content["entry"])
        keep(resources, answer_of(content, day, transaction=True))


@pytest.mark.parametrize("turned", [False, True])
def test_the_round_of_skerrow(url: str, turned: bool, capsys: pytest.CaptureFixture[str]) -> None:
    """Whatever the order in which the examinations are stored."""
    lines = (FOLDER / "examinations.ndjson").read_bytes().splitlines()
    _stored(url, lines[::-1] if turned else lines)
    status = main(["recall", "--database", url, "--as-of", "2026-03-02", "--as", "csv"])

    assert (0, (FOLDER / "expected.csv").read_text(encoding="utf-8").splitlines()) == (status, capsys.readouterr().out.splitlines())


def test_every_line_is_an_examination_of_an_invented_person() -> None:
    """Each by itself, dated, with the identifier of the islands."""
    for line in (FOLDER / "examinations.ndjson").read_bytes().splitlines():
        content = orjson.loads(line)
        (patient,) = [entry["resource"] for entry in content["entry"] if entry["resource"]["resourceType"] == "Patient"]

        assert patient["identifier"][0]["system"] == "https://skerrow.example/id/patient"
        assert {date.fromisoformat(entry["resource"]["effectiveDateTime"][:10]) for entry in content["entry"][1:]}
