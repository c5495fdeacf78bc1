"""The command line: what goes to standard output, what to standard error, and the exit status.

Contract, "Command line": exit 0 assessed; 2 some input unusable, with an OperationOutcome on standard output; 1 a failure of ours; several
files and lines of NDJSON in one call, one bad line does not stop the others. All data are invented.
"""

import io
import subprocess
import sys
from datetime import date
from pathlib import Path
from typing import Any

import orjson
import pytest

import sural
from sural import canonical
from sural.cli import main
from sural.doors.cases import cases
from sural.footrisk.schemes import SCHEMES
from tests.builders import AS_OF, Exam, Json
from tests.pieces import about_p1, concept, observation, patient

DAY = ("--as-of", AS_OF)
Captured = pytest.CaptureFixture[bytes]
NORMAL = orjson.dumps(Exam().normal().bundle())
OTHER = orjson.dumps(Exam("p2").normal().bundle())
NO_SIDE = orjson.dumps(about_p1(observation("callus", "present")))


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A folder with the inputs of these tests."""
    for name, data in (
        ("normal.json", NORMAL),
        ("other.json", OTHER),
        ("noside.json", NO_SIDE),
        ("broken.json", b'{"resourceType": "Bundle"'),
        ("bundles.ndjson", NORMAL + b"\n" + OTHER + b"\n"),
        ("badmiddle.ndjson", NORMAL + b"\n{bad\n\n" + OTHER + b"\n"),
        ("badfirst.ndjson", b"{bad\n" + NORMAL + b"\n" + OTHER + b"\n"),
        ("resources.ndjson", b"\n".join(orjson.dumps(one["resource"]) for one in Exam().normal().entries)),
        ("crlf.ndjson", NORMAL + b"\r\n" + OTHER + b"\r\n"),
    ):
        (tmp_path / name).write_bytes(data)
    return tmp_path


def run(capture: Captured, *arguments: object) -> tuple[int, list[Json], bytes]:
    """Exit status, the JSON documents on standard output, and standard error."""
    status = main([str(one) for one in arguments])
    written = capture.readouterr()
    return status, [orjson.loads(line) for line in written.out.splitlines()], written.err


def types(documents: list[Json]) -> list[str]:
    return [one.get("resourceType", "summary") for one in documents]


# ---------------------------------------------------------------------------------------------------------------------------------
# assess


def test_a_file_is_answered_with_the_bytes_of_the_core(folder: Path, capsysbinary: Captured) -> None:
    """One Bundle and a line end on standard output, nothing on standard error."""
    status = main(["assess", str(folder / "normal.json"), *DAY])
    written = capsysbinary.readouterr()

    assert (0, b"") == (status, written.err)
    assert sural.assess(NORMAL, as_of=date.fromisoformat(AS_OF), check=True) + b"\n" == written.out


def test_several_files_are_answered_in_order(folder: Path, capsysbinary: Captured) -> None:
    """One document each."""
    status, answers, _ = run(capsysbinary, "assess", folder / "other.json", folder / "normal.json", *DAY, "--as", "summary")

    assert (0, ["Patient/p2", "Patient/p1"]) == (status, [one["subject"] for one in answers])


@pytest.mark.parametrize("name", ["bundles.ndjson", "crlf.ndjson"])
def test_lines_of_bundles_are_answered_one_by_one(folder: Path, capsysbinary: Captured, name: str) -> None:
    """NDJSON with either line end."""
    status, answers, _ = run(capsysbinary, "assess", folder / name, *DAY, "--as", "summary")

    assert (0, ["Patient/p1", "Patient/p2"]) == (status, [one["subject"] for one in answers])


def test_lines_of_resources_are_one_examination(folder: Path, capsysbinary: Captured) -> None:
    """Bulk Data: one resource a line."""
    status, (answered,), _ = run(capsysbinary, "assess", folder / "resources.ndjson", *DAY, "--as", "summary")

    assert (0, len(Exam().normal().entries)) == (status, answered["intake"]["used"])


def test_a_bad_line_does_not_stop_the_others(folder: Path, capsysbinary: Captured) -> None:
    """Its place is taken by an OperationOutcome that names the line; the status is 2."""
    status, answers, _ = run(capsysbinary, "assess", folder / "badmiddle.ndjson", *DAY)

    assert (2, ["Bundle", "OperationOutcome", "Bundle"]) == (status, types(answers))
    assert answers[1]["issue"][0]["diagnostics"].startswith("line 2")


def test_a_bad_line_is_named_on_standard_error(folder: Path, capsysbinary: Captured) -> None:
    """The number of the line in the file."""
    _, _, said = run(capsysbinary, "assess", folder / "badmiddle.ndjson", *DAY)

    assert b"line 2" in said


def test_a_bad_first_line_does_not_stop_the_others(folder: Path, capsysbinary: Captured) -> None:
    """One bad line does not stop the others, wherever it stands."""
    status, answers, _ = run(capsysbinary, "assess", folder / "badfirst.ndjson", *DAY)

    assert (2, ["OperationOutcome", "Bundle", "Bundle"]) == (status, types(answers))


def test_a_broken_file_does_not_stop_the_next(folder: Path, capsysbinary: Captured) -> None:
    """Outcome, then answer."""
    status, answers, _ = run(capsysbinary, "assess", folder / "broken.json", folder / "normal.json", *DAY)

    assert (2, ["OperationOutcome", "Bundle"]) == (status, types(answers))


def test_a_missing_file_does_not_stop_the_next(folder: Path, capsysbinary: Captured) -> None:
    """Several files in one call: each is answered."""
    status, answers, _ = run(capsysbinary, "assess", folder / "missing.json", folder / "normal.json", *DAY)

    assert (2, ["OperationOutcome", "Bundle"]) == (status, types(answers))


def test_unusable_input_is_status_2_with_the_answer(folder: Path, capsysbinary: Captured) -> None:
    """The answer carries its OperationOutcome."""
    status, (answered,), _ = run(capsysbinary, "assess", folder / "noside.json", *DAY)

    assert 2 == status
    assert "OperationOutcome" in [one["resource"]["resourceType"] for one in answered["entry"]]


def test_unusable_input_is_in_the_summary_too(folder: Path, capsysbinary: Captured) -> None:
    """With `--as summary` the OperationOutcome stands inside."""
    status, (summary,), _ = run(capsysbinary, "assess", folder / "noside.json", *DAY, "--as", "summary")

    assert (2, "OperationOutcome") == (status, summary["outcome"]["resourceType"])


def test_a_remark_is_no_failure(tmp_path: Path, capsysbinary: Captured) -> None:
    """Warnings and information leave the status at 0."""
    (tmp_path / "input.json").write_bytes(orjson.dumps(about_p1(observation("callus", side="left", valueString="Present"))))

    assert 0 == run(capsysbinary, "assess", tmp_path / "input.json", *DAY)[0]


def test_standard_input_is_read(folder: Path, capsysbinary: Captured, monkeypatch: pytest.MonkeyPatch) -> None:
    """`-` is standard input."""
    monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO(NORMAL)))
    status, (summary,), _ = run(capsysbinary, "assess", "-", *DAY, "--as", "summary")

    assert (0, "Patient/p1") == (status, summary["subject"])


FORMS = ("bundle", "transaction", "summary", "report", "html")


@pytest.mark.parametrize("form", FORMS)
def test_every_form_of_answer(folder: Path, capsysbinary: Captured, form: str) -> None:
    """Contract `--as`."""
    status = main(["assess", str(folder / "normal.json"), *DAY, "--as", form])
    written = capsysbinary.readouterr().out

    assert 0 == status
    if form == "report":
        assert written.startswith(b"Foot and lower-limb assessment of Patient/p1, as of 2026-03-02\n")
    elif form == "html":
        assert (written[:15], written[-8:]) == (b"<!DOCTYPE html>", b"</html>\n")
    elif form == "summary":
        assert 1 == orjson.loads(written)["summary"]
    else:
        assert {"bundle": "collection", "transaction": "transaction"}[form] == orjson.loads(written)["type"]


def test_several_patients_make_one_page(folder: Path, tmp_path: Path, capsysbinary: Captured) -> None:
    """`--as html` of two files is one document with both patients in it."""
    other = tmp_path / "other.json"
    other.write_bytes(NORMAL.replace(b"Patient/p1", b"Patient/p2").replace(b'"id":"p1"', b'"id":"p2"'))
    assert 0 == main(["assess", str(folder / "normal.json"), str(other), *DAY, "--as", "html"])
    written = capsysbinary.readouterr().out

    assert 1 == written.count(b"<!DOCTYPE html>") == written.count(b"</html>")
    assert all(written.count(f"of {patient},".encode()) for patient in ("Patient/p1", "Patient/p2"))


@pytest.mark.parametrize(("report", "attached"), [("none", []), ("text", []), ("picture", ["image/svg+xml"])])
def test_the_report_of_the_answer(folder: Path, capsysbinary: Captured, report: str, attached: list[str]) -> None:
    """`--report`: without one, with its narrative, with the picture as well."""
    _, (bundle,), _ = run(capsysbinary, "assess", folder / "normal.json", *DAY, "--report", report)
    reports = [one["resource"] for one in bundle["entry"] if one["resource"]["resourceType"] == "DiagnosticReport"]

    assert (0 if report == "none" else 1) == len(reports)
    assert attached == [form["contentType"] for one in reports for form in one.get("presentedForm", []) if "svg" in form["contentType"]]


def test_the_default_form_is_a_bundle_where_there_is_no_terminal(folder: Path, capsysbinary: Captured) -> None:
    """A pipe gets FHIR."""
    assert ["Bundle"] == types(run(capsysbinary, "assess", folder / "normal.json", *DAY)[1])


def test_the_default_form_on_a_terminal_is_the_report(
    folder: Path, capsysbinary: Captured, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A person gets words."""
    monkeypatch.setattr(sys.stdout, "isatty", lambda: True, raising=False)
    main(["assess", str(folder / "normal.json"), *DAY])

    assert capsysbinary.readouterr().out.startswith(b"Foot and lower-limb assessment")


def test_schemes_may_be_chosen(folder: Path, capsysbinary: Captured) -> None:
    """`--scheme` repeats; the pathway's own scheme is always there."""
    _, (summary,), _ = run(capsysbinary, "assess", folder / "normal.json", *DAY, "--as", "summary", "--scheme", "iwgdf-2023")

    assert {"iwgdf-2023", "nice-ng19-2019"} == summary["footRisk"].keys()


def test_all_schemes_are_the_default(folder: Path, capsysbinary: Captured) -> None:
    """Contract, "Default schemes: all of them"."""
    _, (summary,), _ = run(capsysbinary, "assess", folder / "normal.json", *DAY, "--as", "summary")

    assert set(SCHEMES) == summary["footRisk"].keys()


def test_the_look_back_is_an_option(folder: Path, capsysbinary: Captured) -> None:
    """Nothing examined yesterday counts with P0D."""
    _, (summary,), _ = run(capsysbinary, "assess", folder / "normal.json", *DAY, "--as", "summary", "--lookback", "P0D")

    assert "active" == summary["footRisk"]["nice-ng19-2019"]["atMost"]


def test_the_calendar_is_an_option(tmp_path: Path, capsysbinary: Captured) -> None:
    """15 June 2026 is a holiday in Scotland only: the next working day after Friday 12 June differs."""
    (tmp_path / "input.json").write_bytes(
        orjson.dumps(Exam().see("foot-ulcer", "present", "left", effectiveDateTime="2026-06-12").bundle())
    )
    due = []
    for region in ("GB-ENG", "GB-SCT"):
        _, (summary,), _ = run(
            capsysbinary, "assess", tmp_path / "input.json", "--as-of", "2026-06-12", "--as", "summary", "--calendar", region
        )
        due.append(summary["referrals"][0]["due"])

    assert ["2026-06-15", "2026-06-16"] == due


@pytest.mark.parametrize("group", ["inspection", "history"])
def test_what_is_complete_is_an_option(tmp_path: Path, capsysbinary: Captured, group: str) -> None:
    """`--complete GROUP`, with its note."""
    (tmp_path / "input.json").write_bytes(orjson.dumps(Exam().felt("both").bundle()))
    _, (summary,), _ = run(capsysbinary, "assess", tmp_path / "input.json", *DAY, "--as", "summary", "--complete", group)

    assert "no" == summary["findings"]["ulcer" if group == "inspection" else "previousUlcer"]["person"]
    assert f"assumed-complete-{group}" in summary["footRisk"]["nice-ng19-2019"]["notes"]


def test_the_trace_is_an_option(folder: Path, capsysbinary: Captured) -> None:
    """Every rule that fired, with its findings."""
    _, (plain,), _ = run(capsysbinary, "assess", folder / "normal.json", *DAY, "--as", "summary")
    _, (traced,), _ = run(capsysbinary, "assess", folder / "normal.json", *DAY, "--as", "summary", "--trace")

    assert "trace" not in plain
    assert "Bundle.entry[2].resource" in str(traced["trace"])


def test_preliminary_results_are_an_option(tmp_path: Path, capsysbinary: Captured) -> None:
    """`--preliminary`."""
    (tmp_path / "input.json").write_bytes(orjson.dumps(about_p1(observation("callus", "present", "left", status="preliminary"))))
    _, (summary,), _ = run(capsysbinary, "assess", tmp_path / "input.json", *DAY, "--as", "summary", "--preliminary")

    assert summary["preliminary"] is True


def test_the_check_is_an_option(tmp_path: Path, capsysbinary: Captured) -> None:
    """`--check none` does not look for unknown elements."""
    (tmp_path / "input.json").write_bytes(orjson.dumps(about_p1(observation("callus", "present", "left", foo=1))))

    assert (2, 0) == tuple(
        run(capsysbinary, "assess", tmp_path / "input.json", *DAY, "--check", check)[0] for check in ("structure", "none")
    )


def test_a_site_map_is_an_option(tmp_path: Path, capsysbinary: Captured) -> None:
    """`--concept-map FILE`, laid over ours."""
    element = {"code": "CAL", "target": [{"code": "callus", "equivalence": "equivalent"}]}
    group = {"source": "urn:example:skerrow", "target": canonical.FINDING, "element": [element]}
    (tmp_path / "map.json").write_bytes(orjson.dumps({"resourceType": "ConceptMap", "status": "active", "group": [group]}))
    (tmp_path / "input.json").write_bytes(
        orjson.dumps(about_p1(observation(concept("urn:example:skerrow", "CAL"), "present", "left")))
    )
    _, (summary,), _ = run(
        capsysbinary, "assess", tmp_path / "input.json", *DAY, "--as", "summary", "--concept-map", tmp_path / "map.json"
    )

    assert "yes" == summary["findings"]["callus"]["left"]


def test_a_pathway_file_of_the_site_is_an_option(tmp_path: Path, folder: Path, capsysbinary: Captured) -> None:
    """`--pathway FILE.toml`: data, replaceable by a site."""
    from sural.plan import pathway

    own = Path(pathway.__file__).with_name("pathways") / "ng19.toml"
    (tmp_path / "site.toml").write_text(own.read_text(encoding="utf-8").replace('"P6W", "P8W"', '"P1W", "P3W"'), encoding="utf-8")
    (tmp_path / "input.json").write_bytes(orjson.dumps(Exam().normal().not_felt("left").bundle()))
    _, (summary,), _ = run(
        capsysbinary, "assess", tmp_path / "input.json", *DAY, "--as", "summary", "--pathway", tmp_path / "site.toml"
    )

    assert [{"from": "P1W", "to": "P3W"}] == [
        one["window"] for one in summary["referrals"] if one["service"] == "foot-protection-service"
    ]


@pytest.mark.parametrize(
    ("option", "value", "key"),
    [
        ("--scheme", "nice-2031", "scheme-unknown"),
        ("--pathway", "nowhere", "pathway-unknown"),
        ("--pathway", "nowhere.toml", "pathway-unknown"),
        ("--lookback", "12 months", "parameter-invalid"),
        ("--calendar", "GB-XYZ", "parameter-invalid"),
        ("--concept-map", "nowhere.json", "file-unreadable"),
    ],
)
def test_an_option_that_cannot_be_used_is_status_2_with_an_outcome(
    folder: Path, capsysbinary: Captured, option: str, value: str, key: str
) -> None:
    """Before anything is assessed."""
    status, documents, said = run(capsysbinary, "assess", folder / "normal.json", *DAY, option, value)

    assert (2, ["OperationOutcome"]) == (status, types(documents))
    assert key == documents[0]["issue"][0]["details"]["coding"][0]["code"]
    assert key.encode() in said


@pytest.mark.parametrize("arguments", [("--lookback", "P9999Y"), ("--lookback", "P99999999999Y")])
def test_a_look_back_before_all_dates_is_no_failure_of_ours(folder: Path, arguments: tuple[str, str]) -> None:
    """Refused, or everything that ever was."""
    assert main(["assess", str(folder / "normal.json"), *DAY, *arguments]) in (0, 2)


@pytest.mark.parametrize(
    "arguments",
    [
        [],
        ["assess"],
        ["dance"],
        ["assess", "x", "--as", "pdf"],
        ["assess", "x", "--complete", "everything"],
        ["assess", "x", "--check", "perhaps"],
        ["assess", "x", "--as-of", "today"],
    ],
)
def test_a_command_that_cannot_be_understood_says_how(arguments: list[str], capsysbinary: Captured) -> None:
    """Usage on standard error, nothing on standard output, status 2."""
    with pytest.raises(SystemExit) as left:
        main(arguments)
    written = capsysbinary.readouterr()

    assert (2, b"") == (left.value.code, written.out)
    assert b"usage: sural" in written.err


def test_the_answer_may_be_saved_beside(folder: Path, tmp_path: Path, capsysbinary: Captured) -> None:
    """`--save FILE` writes the FHIR answer whatever the form; where it went is said on standard error."""
    saved = tmp_path / "answer.ndjson"
    status, answers, said = run(capsysbinary, "assess", folder / "bundles.ndjson", *DAY, "--as", "summary", "--save", saved)

    assert (0, ["summary", "summary"]) == (status, types(answers))
    assert ["Bundle", "Bundle"] == [orjson.loads(line)["resourceType"] for line in saved.read_bytes().splitlines()]
    assert str(saved).encode() in said


def test_what_is_saved_is_the_answer(folder: Path, tmp_path: Path, capsysbinary: Captured) -> None:
    """The same bytes as without the option."""
    saved = tmp_path / "answer.json"
    main(["assess", str(folder / "normal.json"), *DAY, "--save", str(saved)])

    assert capsysbinary.readouterr().out == saved.read_bytes()


def test_a_place_that_cannot_be_written_is_named(folder: Path, tmp_path: Path, capsysbinary: Captured) -> None:
    """The user must learn which file."""
    status, _, said = run(capsysbinary, "assess", folder / "normal.json", *DAY, "--save", tmp_path / "no" / "where.json")

    assert status in (1, 2)
    assert b"where.json" in said


def test_a_failure_of_ours_is_status_1_and_says_nothing_of_the_patient(
    folder: Path, capsysbinary: Captured, monkeypatch: pytest.MonkeyPatch
) -> None:
    """No traceback reaches the terminal: it may hold patient data."""

    def fail(*_: Any) -> Any:
        raise RuntimeError("Patient Zyxolunde, born 1957-04-11")

    monkeypatch.setattr("sural.cli.assess.answer_all", fail)
    status = main(["assess", str(folder / "normal.json"), *DAY])
    written = capsysbinary.readouterr()

    assert (1, b"") == (status, written.out)
    assert b"RuntimeError" in written.err
    assert b"Zyxolunde" not in written.err
    assert b"Traceback" not in written.err


def test_a_failure_of_ours_can_be_looked_into(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """`--debug` lets it through."""

    def fail(*_: Any) -> Any:
        raise RuntimeError("x")

    monkeypatch.setattr("sural.cli.assess.answer_all", fail)
    with pytest.raises(RuntimeError):
        main(["--debug", "assess", str(folder / "normal.json"), *DAY])


def test_the_program_runs_as_a_program(folder: Path) -> None:
    """Through the installed script: status, standard output and standard error of a process."""
    script = Path(sys.executable).with_name("sural")
    done = subprocess.run(
        [str(script), "assess", str(folder / "badmiddle.ndjson"), *DAY, "--as", "summary"], capture_output=True, timeout=60
    )

    assert 2 == done.returncode
    assert 3 == len(done.stdout.splitlines())
    assert b"not-json" in done.stderr


def test_a_reader_that_goes_away_is_no_failure(folder: Path) -> None:
    """`sural … | head -c 1`: no traceback on standard error."""
    script = Path(sys.executable).with_name("sural")
    files = [str(folder / "normal.json")] * 20
    with subprocess.Popen([str(script), "assess", *files, *DAY], stdout=subprocess.PIPE, stderr=subprocess.PIPE) as process:
        assert process.stdout is not None and process.stderr is not None
        process.stdout.read(1)
        process.stdout.close()
        said = process.stderr.read()
        process.wait(60)

    assert b"Traceback" not in said
    assert b"internal failure" not in said


# ---------------------------------------------------------------------------------------------------------------------------------
# intake


def test_intake_says_what_is_understood_per_code(folder: Path, capsysbinary: Captured) -> None:
    """Count, fates and what it was understood as, without assessing."""
    status, (report,), _ = run(capsysbinary, "intake", folder / "normal.json", *DAY)
    callus = next(one for one in report["codes"] if one["code"] == "callus")

    assert 0 == status
    assert ("callus", 2, {"used": 2}) == (callus["understood"], callus["count"], callus["fates"])
    assert len(Exam().normal().entries) == sum(report["intake"].values()) == sum(one["count"] for one in report["codes"])


def test_intake_names_the_reasons_worst_first(tmp_path: Path, capsysbinary: Captured) -> None:
    """Unusable before not relevant before used."""
    content = about_p1(observation("callus", "present", id="a"), observation(concept("urn:example:skerrow", "X1"), id="b"))
    (tmp_path / "input.json").write_bytes(orjson.dumps(content))
    status, (report,), _ = run(capsysbinary, "intake", tmp_path / "input.json", *DAY)

    assert 2 == status
    assert [{"side-missing": 1}, {"code-not-mapped": 1}] == [one["reasons"] for one in report["codes"][:2]]
    assert ["side-missing", "code-not-mapped"] == [issue["key"] for issue in report["issues"]]


def test_intake_as_a_table(folder: Path, capsysbinary: Captured) -> None:
    """For people: a heading, a line per code, and the sum."""
    assert 0 == main(["intake", str(folder / "normal.json"), *DAY, "--as", "table"])
    lines = capsysbinary.readouterr().out.decode().splitlines()

    assert lines[0].split()[:3] == ["count", "used", "supers."]
    assert (
        lines[-1]
        == f"{len(Exam().normal().entries)} resources: used {len(Exam().normal().entries)}, superseded 0, notRelevant 0, unusable 0"
    )


def test_intake_reads_lines_of_resources(folder: Path, capsysbinary: Captured) -> None:
    """Together, with the number of the line at each issue."""
    (folder / "lines.ndjson").write_bytes(
        orjson.dumps(patient()) + b"\n" + orjson.dumps(observation("callus", "present")) + b"\n"
    )
    status, (report,), _ = run(capsysbinary, "intake", folder / "lines.ndjson", *DAY)

    assert 2 == status
    assert [("side-missing", 2)] == [(issue["key"], issue["line"]) for issue in report["issues"]]


def test_intake_of_lines_of_bundles_counts_as_assess_does(folder: Path, capsysbinary: Captured) -> None:
    """Two people, whose Observations have the same ids: two documents, as in `sural assess`."""
    _, summaries, _ = run(capsysbinary, "assess", folder / "bundles.ndjson", *DAY, "--as", "summary")
    _, (report,), _ = run(capsysbinary, "intake", folder / "bundles.ndjson", *DAY)

    assert sum(one["intake"]["used"] for one in summaries) == report["intake"]["used"]


def test_intake_of_several_files_reports_them_all(folder: Path, capsysbinary: Captured) -> None:
    """A broken one among them."""
    _, documents, _ = run(capsysbinary, "intake", folder / "normal.json", folder / "broken.json", *DAY)

    assert 30 == documents[0]["intake"]["used"]


def test_intake_of_a_broken_file_is_status_2_with_an_outcome(folder: Path, capsysbinary: Captured) -> None:
    """On standard output."""
    status, documents, _ = run(capsysbinary, "intake", folder / "broken.json", *DAY)

    assert (2, ["OperationOutcome"]) == (status, types(documents))


# ---------------------------------------------------------------------------------------------------------------------------------
# cases and version

HAS_CASES = pytest.mark.skipif(not cases(), reason="there are no fixture cases yet")


@HAS_CASES
def test_cases_are_listed_one_a_line(capsysbinary: Captured) -> None:
    """Name and title."""
    assert 0 == main(["cases", "list"])
    lines = capsysbinary.readouterr().out.decode().splitlines()

    assert [one.name for one in cases()] == [line.split()[0] for line in lines]


@HAS_CASES
def test_a_case_is_shown_with_its_report_and_files(capsysbinary: Captured) -> None:
    """Why it is there, what comes out, and where to look."""
    one = cases()[0]

    assert 0 == main(["cases", "show", one.name])
    shown = capsysbinary.readouterr().out.decode()
    assert one.why.strip() in shown
    assert str(one.input) in shown


@HAS_CASES
def test_a_case_is_run(capsysbinary: Captured) -> None:
    """The status follows from what is expected; the last line counts."""
    one = next(case for case in cases() if not case.differences(case.documents()))

    assert 0 == main(["cases", "run", one.name])
    assert b"1 of 1 cases as expected.\n" in capsysbinary.readouterr().out


@pytest.mark.parametrize("arguments", [["cases", "show", "none-such"], ["cases", "run", "none-such"]])
def test_a_case_that_is_not_there_is_status_2(arguments: list[str], capsysbinary: Captured) -> None:
    """Said on standard error."""
    assert 2 == main(arguments)
    assert b"none-such" in capsysbinary.readouterr().err


def test_the_version_names_the_rule_set(capsysbinary: Captured) -> None:
    """`sural --version`."""
    with pytest.raises(SystemExit) as left:
        main(["--version"])

    assert 0 == left.value.code
    assert f"sural {canonical.VERSION}, rule set {canonical.RULE_SET}\n".encode() == capsysbinary.readouterr().out


COMMANDS = ("assess", "intake", "serve", "cases", "demo")


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_has_help(command: str, capsysbinary: Captured) -> None:
    """On standard output, status 0."""
    with pytest.raises(SystemExit) as left:
        main([command, "--help"])

    assert 0 == left.value.code
    assert b"usage: sural " + command.encode() in capsysbinary.readouterr().out


def test_every_option_of_the_contract_is_in_the_help(capsysbinary: Captured) -> None:
    """`--scheme --pathway --as-of --lookback --complete --check --as --trace --concept-map`."""
    with pytest.raises(SystemExit):
        main(["assess", "--help"])
    shown = capsysbinary.readouterr().out.decode()

    assert [] == [
        option
        for option in (
            "--scheme",
            "--pathway",
            "--as-of",
            "--lookback",
            "--complete",
            "--check",
            "--as",
            "--trace",
            "--concept-map",
        )
        if f"{option} " not in shown
    ]
