"""A population: every line accounted for, every patient once, and the same answer as a single call gives.

Source of the form of the input: FHIR Bulk Data Access 2, "Bulk Data Output File". All people are invented.
"""

import gc
import gzip
import random
import re
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import orjson
import pytest

import sural
from sural.canonical import FINDING
from sural.cli.main import main
from sural.cohort import grouping
from sural.cohort.grouping import Row, Unreadable
from sural.cohort.inputs import inputs
from sural.cohort.journal import Journal, Occupied, written_in
from sural.cohort.lines import Role, judge
from sural.cohort.persons import Assessor, Order, Outcome
from sural.cohort.processes import uncollected
from sural.cohort.synthetic.examination import records
from sural.cohort.synthetic.writing import write
from sural.doors.request import Request
from sural.issues import KINDS
from tests.builders import Exam
from tests.cohorts import AS_OF, OUTPUTS, PEOPLE, Silent, assess, bulk, islanders, of_patient, read


@pytest.fixture(scope="module")
def assessed(export: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """What a run makes of them."""
    out = tmp_path_factory.mktemp("assessed")
    assess(export, out)
    return out


@pytest.fixture
def small_chunks(monkeypatch: pytest.MonkeyPatch) -> None:
    """Chunks of a few people, so that there are many."""
    monkeypatch.setattr(grouping, "BUCKET", 100_000)


def outputs(out: Path) -> dict[str, bytes]:
    return {name: (out / name).read_bytes() for name in OUTPUTS if name != "account.json"}


def without_places(summary: Any) -> Any:
    """A summary without where its issues stand in the input, which is another place in another document."""
    return summary | {"issues": sorted((one["severity"], one["key"]) for one in summary["issues"])}


def test_every_patient_is_answered_once(assessed: Path) -> None:
    """One summary and one answer each."""
    subjects = [one["subject"] for one in read(assessed, "summaries")]

    assert [f"Patient/skerrow-{number:07d}" for number in range(1, PEOPLE + 1)] == sorted(subjects)
    assert PEOPLE == len(read(assessed, "answers"))


def test_an_answer_is_that_of_a_single_call(tmp_path: Path) -> None:
    """Byte for byte, for the same resources in the order of their texts."""
    people = islanders(PEOPLE)
    out = tmp_path / "out"
    assess(bulk(tmp_path / "in", people), out)
    single = {}
    for number in range(1, PEOPLE + 1):
        lines = sorted(orjson.dumps(one) for one in of_patient(people, f"skerrow-{number:07d}"))
        bundle = b'{"resourceType":"Bundle","type":"collection","entry":[{"resource":' + b'},{"resource":'.join(lines) + b"}]}"
        single[f"Patient/skerrow-{number:07d}"] = sural.assess(bundle, as_of=AS_OF, report="none")
    subjects = [one["subject"] for one in read(out, "summaries")]
    answers = (out / "answers.ndjson").read_bytes().splitlines()

    assert single == dict(zip(subjects, answers, strict=True))


def test_a_summary_is_that_of_a_single_call_in_any_order(tmp_path: Path) -> None:
    """Only where issues stand is said otherwise."""
    people = islanders(10, faulty=0.05)
    out = tmp_path / "out"
    assess(bulk(tmp_path / "in", people), out)
    for summary in read(out, "summaries"):
        own = of_patient(people, summary["subject"].removeprefix("Patient/"))
        bundle = {"resourceType": "Bundle", "type": "collection", "entry": [{"resource": one} for one in reversed(own)]}
        (single,) = orjson.loads(orjson.dumps(sural.summarise(bundle, as_of=AS_OF)))
        summary.pop("outcome", None)

        assert without_places(single) == without_places(summary)


def test_lines_in_any_order_in_any_files_compressed_or_not_give_the_same(export: Path, assessed: Path, tmp_path: Path) -> None:
    """A Bulk Data server promises no order and may split a type over files."""
    chance = random.Random(3)
    lines = [line for path in sorted(export.iterdir()) for line in path.read_bytes().splitlines(keepends=True)]
    chance.shuffle(lines)
    mixed = tmp_path / "mixed"
    mixed.mkdir()
    (mixed / "a.ndjson").write_bytes(b"".join(lines[::3]))
    (mixed / "b [1].ndjson.gz").write_bytes(gzip.compress(b"".join(lines[1::3])))
    (mixed / "c.jsonl").write_bytes(gzip.compress(b"".join(lines[2::3])))
    out = tmp_path / "out"
    assess(mixed, out)

    for name in ("answers.ndjson", "summaries.ndjson"):
        assert (assessed / name).read_bytes() == (out / name).read_bytes()
    assert len(read(assessed, "rejects")) == len(read(out, "rejects"))


def test_two_processes_write_the_same(export: Path, assessed: Path, tmp_path: Path, small_chunks: None) -> None:
    """Chunks are appended in their order, whoever has done them."""
    assess(export, tmp_path, workers=2)

    assert outputs(assessed) == outputs(tmp_path)


def test_the_counts_add_up(export: Path, assessed: Path) -> None:
    """Lines read = used + superseded + not relevant + unusable + refused + rejected + blank, less what counts besides."""
    account = orjson.loads((assessed / "account.json").read_bytes())
    lines = account["lines"]
    read_lines = sum(len(path.read_bytes().splitlines()) for path in export.iterdir())

    assert read_lines == lines["read"] == sum(account["files"].values())
    ends = ("used", "superseded", "not_relevant", "unusable", "refused", "rejected", "blank")
    assert lines["read"] + lines["besides"] == sum(lines[name] for name in ends)
    assert lines["unusable"] > 0
    assert len(read(assessed, "rejects")) == sum(account["rejects"].values())


def test_every_reject_names_a_line_that_is_at_fault(export: Path, assessed: Path) -> None:
    """File, line and a reason of the issue list; the line is the one that was spoiled."""
    for one in read(assessed, "rejects"):
        line = Path(one["file"]).read_bytes().splitlines()[one["line"] - 1]

        assert one["reason"] in KINDS
        if one["reason"] == "not-json":
            with pytest.raises(orjson.JSONDecodeError):
                orjson.loads(line)
        else:
            assert one["subject"] == orjson.loads(line)["subject"]["reference"]


ODD_LINES = {
    b"": None,
    b"   ": None,
    b"{": "not-json",
    b"\xff\xfe": "not-json",
    b"[1]": "not-fhir",
    b'{"a": 1}': "not-fhir",
    b'{"resourceType":"Nonsense"}': "not-fhir",
    b'{"resourceType":"Bundle","type":"collection","entry":[]}': "resource-type-unsupported",
    b'{"resourceType":"Observation","status":"final","code":{}}': "subject-missing",
    b'{"resourceType":"Observation","status":"final","code":{},"subject":{"reference":"Group/1"}}': "subject-not-patient",
    b'{"resourceType":"Observation","status":"final","subject":{"identifier":{"value":"1"}}}': "subject-not-patient",
}


def test_a_line_of_nobody_is_rejected_and_the_run_goes_on(tmp_path: Path) -> None:
    """Each with its number; an empty line is no reject. Lines that are not UTF-8 are read too."""
    folder = bulk(tmp_path / "in", islanders(3))
    (folder / "odd.ndjson").write_bytes(b"\n".join(ODD_LINES))
    account = assess(folder, tmp_path / "out")
    found = {one["line"]: one["reason"] for one in read(tmp_path / "out", "rejects")}

    assert {number: reason for number, reason in enumerate(ODD_LINES.values(), 1) if reason} == found
    assert (3, 2) == (account.patients["assessed"], account.lines.blank)


def test_a_broken_line_that_names_its_patient_stays_in_the_answer(tmp_path: Path) -> None:
    """As `sural assess` has it for lines: what came of it is unusable, and the summary says so."""
    resources = Exam(patient="p1").normal().entries
    lines = [orjson.dumps(entry["resource"]) for entry in resources]
    folder = tmp_path / "in"
    folder.mkdir()
    (folder / "all.ndjson").write_bytes(
        b"\n".join([*lines, b'{"resourceType":"Observation","subject":{"reference":"Patient/p1"},"st'])
    )
    assess(folder, tmp_path / "out")
    (summary,) = read(tmp_path / "out", "summaries")
    (reject,) = read(tmp_path / "out", "rejects")

    assert 1 == summary["intake"]["unusable"]
    assert (str(folder / "all.ndjson"), len(lines) + 1, "not-json") == (reject["file"], reject["line"], reject["reason"])


def test_a_line_cannot_pass_for_two(tmp_path: Path) -> None:
    """Lines are put together as text; one that closes its entry and opens another is broken JSON by itself, and is found out."""
    folder = bulk(tmp_path / "in", [entry["resource"] for entry in Exam(patient="p1").normal().entries])
    ulcer = Exam(patient="p1").observation("foot-ulcer", "present", "left") | {"id": "u1"}
    spliced = (
        b'{"resourceType":"Observation","subject":{"reference":"Patient/p1"}}},{"resource":{"resource'
        + orjson.dumps(ulcer)[len(b'{"resource') :][:-1]
    )
    (folder / "spliced.ndjson").write_bytes(spliced + b"}")
    assess(folder, tmp_path / "out")
    (summary,) = read(tmp_path / "out", "summaries")

    assert "yes" != summary["findings"]["ulcer"]["person"]
    assert ["not-json"] == [one["reason"] for one in read(tmp_path / "out", "rejects")]


def test_types_that_are_not_read_are_counted_and_left_aside(tmp_path: Path) -> None:
    """An export holds much that says nothing of feet."""
    folder = bulk(tmp_path / "in", [*islanders(2), {"resourceType": "Claim", "id": "c1", "patient": {"reference": "Patient/x"}}])
    account = assess(folder, tmp_path / "out")

    assert (1, 2) == (account.lines.other_types, account.patients["assessed"])


def test_a_medication_in_a_file_of_its_own_reaches_who_takes_it(tmp_path: Path) -> None:
    """Several patients may name one; it is one line in the account."""
    medication = {
        "resourceType": "Medication",
        "id": "m1",
        "code": {"coding": [{"system": FINDING, "code": "metformin"}]},
    }
    requests = [
        {
            "resourceType": "MedicationRequest",
            "id": f"r{number}",
            "status": "active",
            "intent": "order",
            "authoredOn": "2026-02-01",
            "medicationReference": {"reference": "Medication/m1"},
            "subject": {"reference": f"Patient/p{number}"},
        }
        for number in (1, 2)
    ]
    patients = [{"resourceType": "Patient", "id": f"p{number}"} for number in (1, 2)]
    folder = bulk(tmp_path / "in", [*requests, *patients, medication])
    account = assess(folder, tmp_path / "out")

    assert [{"used": 3, "superseded": 0, "notRelevant": 0, "unusable": 0}] * 2 == [
        one["intake"] for one in read(tmp_path / "out", "summaries")
    ]
    assert (5, 6, 1) == (account.lines.read, account.lines.used, account.lines.besides)


def test_our_own_answers_are_no_evidence(tmp_path: Path) -> None:
    """An export of a record system into which answers were written holds them too."""
    exam = Exam(patient="p1").normal().not_felt("left").bundle()
    answer = sural.assess(exam, as_of=AS_OF, transaction=True)
    written = [entry["resource"] | {"id": f"a{number}"} for number, entry in enumerate(answer["entry"])]
    plain = assess(bulk(tmp_path / "in", [entry["resource"] for entry in exam["entry"]]), tmp_path / "out")
    both = assess(bulk(tmp_path / "both", [*(entry["resource"] for entry in exam["entry"]), *written]), tmp_path / "with")

    assert (tmp_path / "out" / "summaries.ndjson").read_bytes() == (tmp_path / "with" / "summaries.ndjson").read_bytes()
    assert plain.lines.read + len(written) == both.lines.read
    assert plain.lines.used == both.lines.used


def test_a_patient_who_died_is_refused_with_a_reason(tmp_path: Path) -> None:
    """Nobody is silently left out."""
    resources = [entry["resource"] for entry in Exam(patient="p1").normal().entries]
    resources[0]["deceasedBoolean"] = True
    account = assess(bulk(tmp_path / "in", resources), tmp_path / "out")

    assert (0, 1, len(resources)) == (account.patients["assessed"], account.patients["refused"], account.lines.refused)
    assert ["patient-deceased"] == [one["reason"] for one in read(tmp_path / "out", "rejects")]


@pytest.mark.parametrize("check", [False, True])
def test_assessing_leaves_no_circles_for_the_collector(check: bool) -> None:
    """Chunks are assessed without looking for garbage; what only the collector could free would pile up."""
    everybody = islanders(40, faulty=0.2)
    people: dict[str, list[Row]] = {}
    for number, resource in enumerate(everybody, 1):
        body = orjson.dumps(resource)
        role, key, _ = judge(body)
        if key is not None:
            people.setdefault(key, []).append((key.encode(), 0, number, role, body))
    broken = people[min(people)]
    broken.append((b"", 0, 0, Role.RESOURCE, broken[-1][4][:-2]))
    assessor = Assessor(Order(Request(as_of=AS_OF), True, ("all.ndjson",), check), ((0, 1),))

    def everyone() -> Outcome:
        outcome = Outcome()
        for key, rows in people.items():
            assessor.assess(key, rows, outcome)
        return outcome

    everyone()  # what is remembered is made the first time
    gc.collect()
    with uncollected():
        assert not gc.isenabled()
        outcome = everyone()
        assert len(outcome.answers) == len(people) and outcome.rejects
        assert gc.collect() == 0
    assert gc.isenabled()


def test_taking_up_a_run_that_ended_well_changes_nothing(export: Path, assessed: Path) -> None:
    """The account is given again; nothing is written."""
    before = {path.name: path.stat().st_mtime_ns for path in assessed.iterdir()}
    account = assess(export, assessed, resume=True)

    assert PEOPLE == account.patients["assessed"]
    assert before == {path.name: path.stat().st_mtime_ns for path in assessed.iterdir()}


class _Dying(Silent):
    """Fails once so many patients are done, as a process does that is killed there."""

    def __init__(self, after: int) -> None:
        self.after = after

    def advance(self, patients: int, lines: int) -> None:
        self.after -= patients
        if self.after < 0:
            raise KeyboardInterrupt


@pytest.mark.parametrize("after", [0, 7, 20])
def test_a_run_that_ended_too_early_is_taken_up(
    export: Path, assessed: Path, tmp_path: Path, small_chunks: None, after: int
) -> None:
    """Its outputs are byte for byte those of a run that did not."""
    with pytest.raises(KeyboardInterrupt):
        assess(export, tmp_path, watch=_Dying(after))
    assert not (tmp_path / "summaries.ndjson").exists()
    for torn in ("summaries.ndjson", "journal.ndjson"):
        with (tmp_path / "unfinished" / torn).open("ab") as file:
            file.write(b'{"half of a li')
    assess(export, tmp_path, resume=True)

    assert outputs(assessed) == outputs(tmp_path)
    assert not (tmp_path / "unfinished").exists()


def test_a_run_that_ended_while_files_got_their_names_is_taken_up(
    export: Path, assessed: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What has its name already comes back."""
    finish = Journal.finish

    def half(journal: Journal, pages: dict[str, bytes]) -> None:
        (journal.folder / "answers.ndjson").replace(journal.out / "answers.ndjson")
        raise KeyboardInterrupt

    monkeypatch.setattr(Journal, "finish", half)
    with pytest.raises(KeyboardInterrupt):
        assess(export, tmp_path)
    monkeypatch.setattr(Journal, "finish", finish)
    assess(export, tmp_path, resume=True)

    assert outputs(assessed) == outputs(tmp_path)


def test_a_run_that_did_not_end_is_never_mixed_with_another(export: Path, tmp_path: Path) -> None:
    """Neither without asking, nor with other options, nor while it is under way."""
    with pytest.raises(KeyboardInterrupt):
        assess(export, tmp_path, watch=_Dying(0))

    with pytest.raises(Occupied, match="--resume"):
        assess(export, tmp_path)
    with pytest.raises(Occupied, match="other inputs or options"):
        assess(export, tmp_path, resume=True, lookback="P6M")

    class _Meddling(Silent):
        def assessing(self, lines: int, done: int) -> None:
            for resume in (True, False):  # nobody is told to delete what another process writes
                with pytest.raises(Occupied, match="under way"):
                    assess(export, tmp_path, resume=resume)

    assess(export, tmp_path, resume=True, watch=_Meddling())


def test_a_compressed_file_that_ends_too_early_stops_the_run(tmp_path: Path) -> None:
    """Who would have been in the rest cannot be known: that is no bad line."""
    folder = bulk(tmp_path / "in", islanders(2))
    whole = gzip.compress((folder / "Observation.ndjson").read_bytes())
    (folder / "Observation.ndjson").write_bytes(whole[: len(whole) // 2])

    with pytest.raises(Unreadable, match=r"Observation.ndjson: the compressed file ends too early"):
        assess(folder, tmp_path / "out")


def test_what_a_run_writes_is_no_input_of_the_next(tmp_path: Path) -> None:
    """The output lies inside the input: a second run, and one that is taken up, read the same files; an output that is named is read."""
    folder = bulk(tmp_path / "in", [entry["resource"] for entry in Exam(patient="p1").normal().entries])
    out = folder / "out"
    first = inputs([str(folder)], written_in(out))
    assess(folder, out)
    (out / "unfinished").mkdir()
    (out / "unfinished" / "answers.ndjson").write_bytes(b"")

    assert first == inputs([str(folder)], written_in(out)) == inputs([str(folder / "*")], written_in(out))
    assert [str(out / "summaries.ndjson")] == [one.name for one in inputs([str(out / "summaries.ndjson")], written_in(out))]


def test_two_people_with_one_id_are_each_compared_with_themselves(tmp_path: Path) -> None:
    """Of two record systems: one is as before, the other has an ulcer now, a third is not there any more; each was known by the same id."""

    def of(system: str, exam: Exam) -> list[dict[str, Any]]:
        found = [entry["resource"] for entry in exam.bundle()["entry"] if entry["resource"]["resourceType"] == "Observation"]
        return [one | {"id": f"{system}-{one['id']}", "subject": {"reference": f"https://{system}.example/fhir/Patient/p1"}} for one in found]

    first = bulk(tmp_path / "then", [*of("a", Exam("p1").normal()), *of("b", Exam("p1").normal()), *of("c", Exam("p1").normal())])
    assess(first, tmp_path / "first")
    second = bulk(tmp_path / "now", [*of("a", Exam("p1").normal()), *of("b", Exam("p1").felt("both").see("foot-ulcer", "present", "left"))])
    since = assess(second, tmp_path / "second", earlier=[tmp_path / "first" / "summaries.ndjson"]).part("since")

    assert (2, 1) == (since["compared"], since["not-in-this-input"])
    assert (1, 1, 1) == (since["nice-ng19-2019|same"], since["nice-ng19-2019|worse"], since["worse|ulcer-new"])


def test_what_has_changed_since_an_earlier_run_is_counted_when_it_is_certain(tmp_path: Path) -> None:
    """Ranges that do not overlap; who is no longer in the input is counted too."""
    before = bulk(
        tmp_path / "before", [entry["resource"] for id in ("p1", "p2", "p3") for entry in Exam(patient=id).normal().entries]
    )
    assess(before, tmp_path / "first")
    worse = [entry["resource"] for entry in Exam(patient="p1").normal().not_felt("left").entries]
    now = bulk(tmp_path / "now", [*worse, *(entry["resource"] for entry in Exam(patient="p2").normal().entries)])
    account = assess(now, tmp_path / "second", earlier=[tmp_path / "first" / "summaries.ndjson"])
    since = account.part("since")

    assert (2, 1, 1) == (since["compared"], since["nice-ng19-2019|worse"], since["nice-ng19-2019|same"])
    assert (1, 1) == (since["worse|protective-sensation-newly-lost"], since["not-in-this-input"])
    assert "certainly a higher category" in (tmp_path / "second" / "report.html").read_text()


def test_changes_of_each_scheme_add_up_to_the_people_compared(tmp_path: Path) -> None:
    """Also of those whom a scheme does not stratify, as IWGDF does nobody with an ulcer: a reader adds up the rows."""
    people = [*Exam(patient="p1").normal().entries, *Exam(patient="p2").normal().see("foot-ulcer", "present", "left").entries]
    folder = bulk(tmp_path / "in", [entry["resource"] for entry in people])
    assess(folder, tmp_path / "first")
    assess(folder, tmp_path / "second", earlier=[tmp_path / "first" / "summaries.ndjson"])
    text = (tmp_path / "second" / "report.html").read_text()
    table = next(one for one in text.split("<table") if ">since last time<" in one)
    told: dict[str, int] = {}
    for row in table.partition("</table>")[0].split("<tr")[2:]:
        scheme, _, number, _ = re.findall(r">([^<>]+)</t[dh]>", row)
        told[scheme] = told.get(scheme, 0) + int(number)

    assert {"NICE NG19 (2019)": 2, "IWGDF (2023)": 2, "Scottish chart (2016)": 2} == told
    assert "not compared: the scheme does not apply" in table.partition("</table>")[0]


def test_the_report_says_from_when_findings_count(tmp_path: Path) -> None:
    """The first day of the look-back that was asked for."""
    folder = bulk(tmp_path / "in", islanders(1))
    assess(folder, tmp_path / "out", lookback="P6M")
    account = orjson.loads((tmp_path / "out" / "account.json").read_bytes())

    assert "2025-09-02" == account["earliest"]
    assert "Findings count from 2025-09-02 on" in (tmp_path / "out" / "report.html").read_text()


def test_the_report_is_one_page_that_needs_nothing_else(assessed: Path) -> None:
    """Well formed, without script, and with nothing from elsewhere; it carries the cautions and no patient."""
    text = (assessed / "report.html").read_text(encoding="utf-8")
    page = ElementTree.fromstring(text.removeprefix("<!DOCTYPE html>\n"))

    assert [] == [one.tag for one in page.iter() if one.tag in ("script", "link", "img", "iframe")]
    assert not any("http" in value for one in page.iter() for value in one.attrib.values())
    assert 4 <= sum(one.tag == "svg" and one.get("class") == "chart" for one in page.iter())
    assert "It does not replace examination or judgement." in text
    assert "skerrow-0" not in text


def test_the_report_counts_whom_the_summaries_have(assessed: Path) -> None:
    """Categories, open answers and referrals."""
    account = orjson.loads((assessed / "account.json").read_bytes())
    summaries = read(assessed, "summaries")
    standings = [one["footRisk"]["nice-ng19-2019"] for one in summaries]
    counts = account["counts"]

    assert sum(one["settled"] for one in standings) == sum(
        number for name, number in counts.items() if name.startswith("risk|nice-ng19-2019|settled|")
    )
    assert sum("arterial-disease" in one["open"] for one in standings) == counts["open|nice-ng19-2019|arterial-disease"]
    assert sum(any(referral["urgency"] == "routine" and referral["service"] == "foot-protection-service" for referral in one["referrals"]) for one in summaries) == counts["referral|foot-protection-service|routine"]  # fmt: skip


def test_invented_people_are_the_same_each_time(tmp_path: Path) -> None:
    """By seed and number, whatever else is drawn; another seed gives others."""
    write(tmp_path / "one", 20, 5, AS_OF, faulty=0.01)
    write(tmp_path / "two", 20, 5, AS_OF, faulty=0.01)

    for path in (tmp_path / "one").iterdir():
        assert path.read_bytes() == (tmp_path / "two" / path.name).read_bytes()
    assert records(5, 7, AS_OF) == records(5, 7, AS_OF)
    assert records(5, 7, AS_OF) != records(6, 7, AS_OF)


def test_invented_people_are_understood_and_differ() -> None:
    """Nothing of them is unusable; about forty Observations each, about twelve of a lean examination; every style of writing occurs."""
    people = [records(1, number, AS_OF) for number in range(1, 201)]
    lean = [records(1, number, AS_OF, lean=True) for number in range(1, 201)]
    summaries = [
        sural.summarise(
            {"resourceType": "Bundle", "type": "collection", "entry": [{"resource": one} for one in person]}, as_of=AS_OF
        )[0]
        for person in people
    ]

    assert 0 == sum(one["intake"]["unusable"] for one in summaries)
    assert 35 < sum(one["resourceType"] == "Observation" for person in people for one in person) / 200 < 50
    assert 8 < sum(one["resourceType"] == "Observation" for person in lean for one in person) / 200 < 20
    assert {"low", "moderate", "high", "active", None} == {one["footRisk"]["nice-ng19-2019"]["category"] for one in summaries}
    assert any("component" in one for person in people for one in person)


def test_the_command_line_tells_what_it_did(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Both commands; messages on standard error, nothing on standard output."""
    folder, out = str(tmp_path / "in"), str(tmp_path / "out")

    assert 0 == main(["cohort", "synthetic", "--patients", "5", "--out", folder, "--as-of", "2026-03-02", "--gzip", "--lean"])
    assert 0 == main(
        ["cohort", "assess", folder, "--out", out, "--as-of", "2026-03-02", "--workers", "1", "--progress", "--without-answers"]
    )
    written = capsys.readouterr()
    assert "" == written.out
    assert "5 patients assessed, 0 rejects" in written.err
    assert "assessing: 100%" in written.err
    assert b"" == (tmp_path / "out" / "answers.ndjson").read_bytes()


def test_a_run_that_assessed_nobody_says_where_to_look(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """One line that is no JSON: done, and not as if all were well; the message holds nothing of the line."""
    (tmp_path / "in.ndjson").write_text('{"resourceType":"Patient","id":"Dolina')

    assert 0 == main(["cohort", "assess", str(tmp_path / "in.ndjson"), "--out", str(tmp_path / "out"), "--as-of", "2026-03-02", "--workers", "1"])
    said = capsys.readouterr().err
    assert "1 line, 0 patients assessed, 1 reject:" in said and "1 file by patient" in said
    assert "nobody was assessed" in said and "rejects.ndjson" in said and "Dolina" not in said


def test_the_command_line_refuses_with_a_reason(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """1 for what is not there, 2 for what cannot be asked."""
    assert 1 == main(["cohort", "assess", str(tmp_path / "nothing"), "--out", str(tmp_path / "out")])
    assert 1 == main(["cohort", "assess", str(tmp_path), "--out", str(tmp_path / "out")])
    assert "no file ends with .ndjson" in capsys.readouterr().err
    assert 1 == main(["cohort", "assess", "s3a://bucket/export/*.ndjson", "--out", str(tmp_path / "out")])
    assert "s3a://bucket/export/*.ndjson: addresses are read with --engine spark only" in capsys.readouterr().err
    folder = bulk(tmp_path / "in", islanders(1))
    assert 2 == main(["cohort", "assess", str(folder), "--out", str(tmp_path / "out"), "--scheme", "none-such"])
    assert "scheme-unknown" in capsys.readouterr().out
