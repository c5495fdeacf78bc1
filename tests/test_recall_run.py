"""A recall list from a run over a population: the same as from a ledger that holds the same answers. The people are invented."""

from datetime import date
from pathlib import Path

import orjson
import pytest

from sural.cli.main import main
from sural.cohort.journal import UNFINISHED
from sural.ledger.keeping import keep
from sural.ledger.resources import Resources
from sural.ledger.store import Ledger
from tests.asking import answer_of
from tests.builders import Exam, Json
from tests.cohorts import AS_OF, assess, bulk, islanders
from tests.recalls import high, numb, on, ulcer

Out = pytest.CaptureFixture[str]


def listed(capsys: Out, *options: str) -> tuple[int, list[str], str]:
    """Exit status, lines and what was said beside them."""
    capsys.readouterr()
    status = main(["recall", "--as-of", AS_OF.isoformat(), "--as", "csv", *options])
    told = capsys.readouterr()
    return status, told.out.splitlines(), told.err


def _population() -> list[Json]:
    examined = [high("p1"), numb("p2"), ulcer("p3")]
    days = [date(2025, 12, 1), date(2025, 6, 1), date(2026, 2, 20)]
    return [entry["resource"] for exam, day in zip(examined, days, strict=True) for entry in on(exam, day).entries]


def test_a_run_gives_the_list_of_a_ledger_with_the_same_answers(tmp_path: Path, capsys: Out) -> None:
    """Everybody, whatever there is to say of them."""
    resources = [*_population(), *islanders(25)]
    assess(bulk(tmp_path / "in", resources), tmp_path / "out")
    store = Resources(Ledger(f"sqlite:///{tmp_path / 'ledger.sqlite'}"))
    people: dict[str, list[Json]] = {}
    for one in resources:
        subject = f"Patient/{one['id']}" if one["resourceType"] == "Patient" else one.get("subject", {}).get("reference")
        people.setdefault(subject, []).append(one)
    for theirs in people.values():
        content = {"resourceType": "Bundle", "type": "collection", "entry": [{"resource": one} for one in theirs]}
        keep(store, answer_of(content, AS_OF.isoformat(), transaction=True))
    status, lines, _ = listed(capsys, "--run", str(tmp_path / "out"))

    assert len(lines) > 10
    assert (status, lines) == listed(capsys, "--database", f"sqlite:///{tmp_path / 'ledger.sqlite'}")[:2]


def test_the_parts_of_a_cluster_are_read_as_one(tmp_path: Path, capsys: Out) -> None:
    """As the other engine leaves them: a folder of parts in the place of the file."""
    assess(bulk(tmp_path / "in", islanders(12)), tmp_path / "out")
    whole = listed(capsys, "--run", str(tmp_path / "out"))
    for name in ("answers", "rejects"):
        file = tmp_path / "out" / f"{name}.ndjson"
        lines = file.read_bytes().splitlines(keepends=True)
        file.unlink()
        file.mkdir()
        (file / "_SUCCESS").touch()
        for number, part in enumerate((lines[:5], lines[5:])):
            (file / f"part-{number}.ndjson").write_bytes(b"".join(part))

    assert whole[0] == 0 and len(whole[1]) > 5
    assert whole == listed(capsys, "--run", str(tmp_path / "out"))


def test_nobody_disappears_because_there_is_no_answer(tmp_path: Path, capsys: Out) -> None:
    """Who has died is off the list and can be asked for; an inactive record was never examined here, and is lost."""
    resources = _population()
    resources[0]["deceasedBoolean"] = True
    inactive = next(one for one in resources if one["resourceType"] == "Patient" and one["id"] == "p3")
    inactive["active"] = False
    assess(bulk(tmp_path / "in", resources), tmp_path / "out")
    run = ("--run", str(tmp_path / "out"))
    (_, ended), (_, *asked) = (listed(capsys, *run, "--state", "ended")[1], listed(capsys, *run)[1])

    assert ended.startswith("Patient/p1,") and "ended" in ended
    assert {"Patient/p2", "Patient/p3"} == {line.partition(",")[0] for line in asked}
    assert "never examined" in next(line for line in asked if line.startswith("Patient/p3"))


def test_a_run_without_answers_gives_no_list_and_says_what_to_do(tmp_path: Path, capsys: Out) -> None:
    """An empty list would read as nobody due."""
    assess(bulk(tmp_path / "in", _population()), tmp_path / "out", answers=False)
    status, lines, told = listed(capsys, "--run", str(tmp_path / "out"))

    assert (2, "parameter-invalid") == (status, orjson.loads(lines[0])["issue"][0]["details"]["coding"][0]["code"])
    assert "--without-answers" in told


@pytest.mark.parametrize(("unfinished", "said"), [(True, "--resume"), (False, "no finished run")])
def test_what_is_no_finished_run_is_refused(tmp_path: Path, capsys: Out, unfinished: bool, said: str) -> None:
    """Half of the people would read as all of them."""
    if unfinished:
        assess(bulk(tmp_path / "in", _population()), tmp_path)
        (tmp_path / UNFINISHED).mkdir()
    status, _, told = listed(capsys, "--run", str(tmp_path))

    assert status == 2 and said in told


def test_a_source_is_for_a_ledger(tmp_path: Path, capsys: Out) -> None:
    """The files of a run do not say which system they are from."""
    assess(bulk(tmp_path / "in", [entry["resource"] for entry in Exam("p1").normal().entries]), tmp_path / "out")

    assert listed(capsys, "--run", str(tmp_path / "out"), "--source", "https://ehr.skerrow.example/fhir")[0] == 2
