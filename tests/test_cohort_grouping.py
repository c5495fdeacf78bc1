"""Lines brought together by patient: no line lost or torn, each with its own number, however files are cut.

Source of the form of the input: FHIR Bulk Data Access 2, "Bulk Data Output File"; newline-delimited JSON. All people are invented.
"""

import gc
import gzip
from collections import Counter
from pathlib import Path

import orjson
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sural.cohort import grouping
from sural.cohort import lines as of_lines
from sural.cohort.grouping import Row, Unreadable, group, nobody, people
from sural.cohort.inputs import inputs
from sural.cohort.lines import Judged, Role, judge
from sural.cohort.processes import uncollected
from sural.intake.documents import MAX_ENTRIES
from tests.cohorts import assess, bulk, islanders, read


def observation(patient: str, more: str = "") -> bytes:
    return orjson.dumps({"resourceType": "Observation", "subject": {"reference": f"Patient/{patient}"}, "note": more})


JUDGED: dict[bytes, Judged] = {
    b"": (Role.BLANK, None, None),
    b" \t": (Role.BLANK, None, None),
    b"{": (Role.REJECT, None, None),
    b"[1]": (Role.REJECT, None, None),
    b"\xff": (Role.REJECT, None, None),
    b"[" * 100_000: (Role.REJECT, None, None),
    b'{"resourceType":"Patient","id":"p1"}': (Role.RESOURCE, "p1", None),
    b'{"resourceType":"Patient"}': (Role.REJECT, None, None),
    b'{"resourceType":"Patient","id":7}': (Role.REJECT, None, None),
    b'{"resourceType":"Claim","subject":{"reference":"Patient/p1"}}': (Role.NOT_READ, None, None),
    b'{"resourceType":"Nonsense"}': (Role.REJECT, None, None),
    b'{"resourceType":"Bundle"}': (Role.REJECT, None, None),
    b'{"resourceType":"Medication","id":"m1"}': (Role.MEDICATION, None, "m1"),
    b'{"resourceType":"Medication"}': (Role.MEDICATION, None, None),
    b'{"resourceType":"Observation"}': (Role.REJECT, None, None),
    b'{"resourceType":"Observation","subject":"Patient/p1"}': (Role.REJECT, None, None),
    b'{"resourceType":"Observation","subject":{"reference":"Group/p1"}}': (Role.REJECT, None, None),
    b'{"resourceType":"Observation","subject":{"reference":"Patient/p1"}}': (Role.RESOURCE, "p1", None),
    b'{"resourceType":"Observation","id":7,"subject":{"reference":"Patient/p1"}}': (Role.RESOURCE, "p1", None),
    b'{"subject": { "reference" : "http://a.example/fhir/Patient/p1/_history/3"}, "resourceType":"Condition"}': (Role.RESOURCE, "p1", None),
    b'{"resourceType":"Observation","subject":{"reference":"urn:uuid:0"}}': (Role.RESOURCE, "urn:uuid:0", None),
    b'{"resourceType":"Observation","subject":{"reference":"Patient\\/p1"}}': (Role.RESOURCE, "p1", None),
    b'{"resourceType":"Observation","contained":[{"subject":{"reference":"Patient/p2"}}],"subject":{"reference":"Patient/p1"}}': (Role.RESOURCE, "p1", None),
    b'{"resourceType":"Observation","subject":{"reference":"Patient/p1"},"st': (Role.RESOURCE, "p1", None),
    b'{"resourceType":"Observation","id":"\xff","subject":{"reference":"Patient/p1"}}': (Role.RESOURCE, "p1", None),
    b'{"resourceType":"Observation","subject":{"reference":"Patient/\xff"}}': (Role.REJECT, None, None),
    b'{"resourceType":"Patient","id":"\\ud800"}': (Role.REJECT, None, None),
    b'{"resourceType":"MedicationRequest","subject":{"reference":"Patient/p1"},"medicationReference":{"reference":"Medication/m1"}}': (Role.RESOURCE, "p1", "m1"),
    b'{"resourceType":"Observation","subject":{"reference":"Patient/p1"},"medicationReference":{"reference":"Medication/m1"}}': (Role.RESOURCE, "p1", None),
}  # fmt: skip


@pytest.mark.parametrize("line", JUDGED, ids=range(len(JUDGED)))
def test_what_a_line_is_and_whose(line: bytes) -> None:
    """Also one whose elements are of the wrong kind, or that is broken off."""
    assert JUDGED[line] == judge(line)


@pytest.mark.parametrize(
    ("line", "expected"),
    [
        (b'{"subject":"Patient/p1"}', (Role.EARLIER, "p1", None)),
        (b'{"subject":{"reference":"Patient/p1"}}', (Role.EARLIER, None, None)),
        (b"{", (Role.EARLIER, None, None)),
        (b" ", (Role.BLANK, None, None)),
    ],
)
def test_a_line_of_an_earlier_run_is_a_summary(line: bytes, expected: Judged) -> None:
    """Its subject is a text."""
    assert expected == judge(line, earlier=True)


SEGMENTS = st.lists(st.sampled_from(["Patient", "_history", "p1", "x" * 64, "x" * 65, "é", "", "a\n", "urn:x", "https:"]), max_size=7)


@given(segments=SEGMENTS)
def test_whom_a_reference_names(segments: list[str]) -> None:
    """What stands last but for a version, when `Patient` stands before it and it is an id (FHIR R4, 2.3.0.1 and 2.24.0.1); of a `urn:` all."""
    reference = "/".join(segments)
    whose = segments[:-2] if segments[-2:-1] == ["_history"] else segments
    named = whose[-1] if whose[-2:-1] == ["Patient"] and whose[-1] in ("Patient", "p1", "x" * 64) else None

    assert (reference if reference.startswith("urn:") else named) == of_lines.patient(reference)


def found(folder: Path, **how: int) -> tuple[Counter[tuple[str, str, int, bytes]], list[str]]:
    """Patient, file, number and text of every line that reaches one, and patients in their order."""
    files = inputs([str(folder / "in")])
    work = folder / "work"
    grouped = group(files, (), work, how.get("workers", 1))

    def told(key: str, row: Row) -> tuple[str, str, int, bytes]:
        _, stretch, number, _, body = row
        file, first = grouped.starts[stretch]
        return key, Path(files[file].name).name, first + number, body

    lines: Counter[tuple[str, str, int, bytes]] = Counter()
    order = []
    assert sum(grouped.lines) == sum(len(Path(one.path).read_bytes().removesuffix(b"\n").split(b"\n")) for one in files)
    for bucket in range(len(grouped.sizes)):
        size = 0
        for key, rows in people(work, bucket):
            order.append(key)
            size += len(rows)
            lines.update(told(key, row) for row in rows)
        assert grouped.sizes[bucket] == size
    lines.update(told("", row) for row in nobody(work))
    return lines, order


LINES = st.lists(st.tuples(st.sampled_from("abcdefgh"), st.integers(0, 60)), min_size=1, max_size=40)


@settings(max_examples=60, deadline=None)
@given(
    lines=LINES,
    stretch=st.integers(1, 300),
    block=st.integers(1, 300),
    held=st.integers(1, 100),
    bucket=st.integers(40, 3000),
    ends=st.sampled_from([b"\n", b"\r\n"]),
    last=st.booleans(),
)
def test_every_line_has_its_number_however_files_are_cut(
    tmp_path_factory: pytest.TempPathFactory, lines: list[tuple[str, int]], stretch: int, block: int, held: int,
    bucket: int, ends: bytes, last: bool,
) -> None:
    """Stretches and pieces of any size, buckets of any number: every line once, whole, in its patient's bucket; patients in one order."""
    folder = tmp_path_factory.mktemp("cut")
    (folder / "in").mkdir()
    written = [observation(patient, "x" * size) for patient, size in lines]
    (folder / "in" / "a.ndjson").write_bytes(ends.join(written) + (ends if last else b""))
    expected = Counter((patient, "a.ndjson", number, written[number - 1]) for number, (patient, _) in enumerate(lines, 1))
    whole, order = found(folder)
    with pytest.MonkeyPatch.context() as patch:
        for name, size in (("STRETCH", stretch), ("_BLOCK", block), ("HELD_EACH", held), ("BUCKET", bucket)):
            patch.setattr(grouping, name, size)
        cut, again = found(folder)

    assert expected == whole == cut
    assert sorted({patient for patient, _ in lines}) == sorted(order)
    assert order == again


def test_a_mark_at_the_beginning_is_no_part_of_the_first_line(tmp_path: Path) -> None:
    """A byte order mark, which some tools write before UTF-8 (RFC 8259, 8.1: may be ignored)."""
    (tmp_path / "in").mkdir()
    (tmp_path / "in" / "a.ndjson").write_bytes(b"\xef\xbb\xbf" + observation("a") + b"\n" + observation("b"))

    assert {("a", "a.ndjson", 1, observation("a")): 1, ("b", "a.ndjson", 2, observation("b")): 1} == found(tmp_path)[0]


def test_two_processes_find_the_same(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Plain and compressed files, in many buckets."""
    bulk(tmp_path / "in", islanders(20, faulty=0.02))
    plain = (tmp_path / "in" / "Condition.ndjson").read_bytes()
    (tmp_path / "in" / "Condition.ndjson").write_bytes(gzip.compress(plain))
    monkeypatch.setattr(grouping, "BUCKET", 50_000)
    monkeypatch.setattr(grouping, "STRETCH", 30_000)
    files = inputs([str(tmp_path / "in")])
    one = group(files, (), tmp_path / "one", 1)
    two = group(files, (), tmp_path / "two", 2)

    assert one == two
    assert 5 < len(one.sizes)
    for bucket in range(len(one.sizes)):
        assert list(people(tmp_path / "one", bucket)) == list(people(tmp_path / "two", bucket))


def test_grouping_leaves_no_circles_for_the_collector(tmp_path: Path) -> None:
    """Nor do broken lines: it rests meanwhile, and what only it could free would pile up."""
    bulk(tmp_path / "in", islanders(20, faulty=0.2))
    (tmp_path / "in" / "odd.ndjson").write_bytes(b"\n".join(JUDGED))
    files = inputs([str(tmp_path / "in")])
    group(files, (), tmp_path / "once", 1)  # what is remembered is made the first time
    gc.collect()
    with uncollected():
        grouped = group(files, (), tmp_path / "again", 1)
        assert gc.collect() == 0
    assert grouped.not_read and grouped.blank


def test_who_has_too_many_lines_is_refused_and_all_are_accounted_for(tmp_path: Path) -> None:
    """Not assessed from a part of them."""
    (tmp_path / "in").mkdir()
    (tmp_path / "in" / "a.ndjson").write_bytes((observation("a") + b"\n") * (MAX_ENTRIES + 9))
    account = assess(tmp_path / "in", tmp_path / "out")

    assert (1, 0, MAX_ENTRIES + 9) == (account.patients["refused"], account.patients["assessed"], account.lines.refused)
    assert ["too-many-entries"] == [one["reason"] for one in read(tmp_path / "out", "rejects")]


def test_a_line_without_end_stops_the_run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """It is never kept whole in memory."""
    monkeypatch.setattr(grouping, "LONGEST_LINE", 2**20)
    (tmp_path / "in").mkdir()
    (tmp_path / "in" / "a.ndjson").write_bytes(observation("a") + b"\n" + b"x" * (2**20 + 1))

    with pytest.raises(Unreadable, match=r"a.ndjson: a line is longer than 1 MiB"):
        assess(tmp_path / "in", tmp_path / "out")


def test_an_id_that_is_no_id_is_kept_apart(tmp_path: Path) -> None:
    """A tab or an end of line in it tears no stored line."""
    (tmp_path / "in").mkdir()
    odd = orjson.dumps({"resourceType": "Patient", "id": "a\tb\nc"})
    (tmp_path / "in" / "a.ndjson").write_bytes(odd + b"\n" + observation("a"))

    assert {("a\tb\nc", "a.ndjson", 1, odd): 1, ("a", "a.ndjson", 2, observation("a")): 1} == found(tmp_path)[0]


def test_a_medication_reaches_everybody_who_names_it_however_many(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Once each, though some name it twice; few are looked at together."""
    asking = [
        {
            "resourceType": "MedicationRequest",
            "id": f"r{number}-{again}",
            "subject": {"reference": f"Patient/p{number}"},
            "medicationReference": {"reference": f"Medication/m{number % 3}"},
        }
        for number in range(50)
        for again in range(1 + number % 2)
    ]
    bulk(tmp_path / "in", [*asking, *({"resourceType": "Medication", "id": f"m{number}"} for number in (0, 1, 7))])
    monkeypatch.setattr(grouping, "NAMING", 4)
    monkeypatch.setattr(grouping, "BUCKET", 1000)
    grouped = group(inputs([str(tmp_path / "in")]), (), tmp_path / "work", 1)
    medications = {
        key: [orjson.loads(body)["id"] for _, _, _, role, body in rows if role == Role.MEDICATION]
        for bucket in range(len(grouped.sizes))
        for key, rows in people(tmp_path / "work", bucket)
    }

    assert {f"p{number}": [f"m{number % 3}"] if number % 3 < 2 else [] for number in range(50)} == medications
    assert (1, 34 - 2) == (grouped.unnamed, grouped.shared)
