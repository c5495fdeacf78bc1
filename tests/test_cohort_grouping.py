"""Lines brought together by patient: no line lost or torn, each with its own number, however files are cut.

Source of the form of the input: FHIR Bulk Data Access 2, "Bulk Data Output File"; newline-delimited JSON. All people are invented.
"""

import gzip
from collections import Counter
from pathlib import Path

import orjson
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sural.cohort import grouping
from sural.cohort.grouping import Unreadable, group, nobody, people
from sural.cohort.inputs import inputs
from sural.cohort.lines import Judged, Role, judge
from sural.intake.documents import MAX_ENTRIES
from tests.cohorts import assess, bulk, islanders, read


def observation(patient: str, more: str = "") -> bytes:
    return orjson.dumps({"resourceType": "Observation", "subject": {"reference": f"Patient/{patient}"}, "note": more})


JUDGED: dict[bytes, Judged] = {
    b"": Judged(Role.BLANK),
    b" \t": Judged(Role.BLANK),
    b"{": Judged(Role.REJECT),
    b"[1]": Judged(Role.REJECT),
    b"\xff": Judged(Role.REJECT),
    b"[" * 100_000: Judged(Role.REJECT),
    b'{"resourceType":"Patient","id":"p1"}': Judged(Role.RESOURCE, "p1"),
    b'{"resourceType":"Patient"}': Judged(Role.REJECT),
    b'{"resourceType":"Patient","id":7}': Judged(Role.REJECT),
    b'{"resourceType":"Claim","subject":{"reference":"Patient/p1"}}': Judged(Role.NOT_READ),
    b'{"resourceType":"Nonsense"}': Judged(Role.REJECT),
    b'{"resourceType":"Bundle"}': Judged(Role.REJECT),
    b'{"resourceType":"Medication","id":"m1"}': Judged(Role.MEDICATION, None, "m1"),
    b'{"resourceType":"Medication"}': Judged(Role.MEDICATION),
    b'{"resourceType":"Observation"}': Judged(Role.REJECT),
    b'{"resourceType":"Observation","subject":"Patient/p1"}': Judged(Role.REJECT),
    b'{"resourceType":"Observation","subject":{"reference":"Group/p1"}}': Judged(Role.REJECT),
    b'{"resourceType":"Observation","subject":{"reference":"Patient/p1"}}': Judged(Role.RESOURCE, "p1"),
    b'{"resourceType":"Observation","id":7,"subject":{"reference":"Patient/p1"}}': Judged(Role.RESOURCE, "p1"),
    b'{"subject": { "reference" : "http://a.example/fhir/Patient/p1/_history/3"}, "resourceType":"Condition"}': Judged(Role.RESOURCE, "p1"),
    b'{"resourceType":"Observation","subject":{"reference":"urn:uuid:0"}}': Judged(Role.RESOURCE, "urn:uuid:0"),
    b'{"resourceType":"Observation","subject":{"reference":"Patient\\/p1"}}': Judged(Role.RESOURCE, "p1"),
    b'{"resourceType":"Observation","contained":[{"subject":{"reference":"Patient/p2"}}],"subject":{"reference":"Patient/p1"}}': Judged(Role.RESOURCE, "p1"),
    b'{"resourceType":"Observation","subject":{"reference":"Patient/p1"},"st': Judged(Role.RESOURCE, "p1"),
    b'{"resourceType":"MedicationRequest","subject":{"reference":"Patient/p1"},"medicationReference":{"reference":"Medication/m1"}}': Judged(Role.RESOURCE, "p1", "m1"),
    b'{"resourceType":"Observation","subject":{"reference":"Patient/p1"},"medicationReference":{"reference":"Medication/m1"}}': Judged(Role.RESOURCE, "p1"),
}  # fmt: skip


@pytest.mark.parametrize("line", JUDGED, ids=range(len(JUDGED)))
def test_what_a_line_is_and_whose(line: bytes) -> None:
    """Also one whose elements are of the wrong kind, or that is broken off."""
    assert JUDGED[line] == judge(line)


@pytest.mark.parametrize(
    ("line", "expected"),
    [
        (b'{"subject":"Patient/p1"}', Judged(Role.EARLIER, "p1")),
        (b'{"subject":{"reference":"Patient/p1"}}', Judged(Role.EARLIER)),
        (b"{", Judged(Role.EARLIER)),
        (b" ", Judged(Role.BLANK)),
    ],
)
def test_a_line_of_an_earlier_run_is_a_summary(line: bytes, expected: Judged) -> None:
    """Its subject is a text."""
    assert expected == judge(line, earlier=True)


def found(folder: Path, **how: int) -> tuple[Counter[tuple[str, str, int, bytes]], list[str]]:
    """Patient, file, number and text of every line that reaches one, and patients in their order."""
    files = inputs([str(folder / "in")])
    work = folder / "work"
    grouped = group(files, (), work, how.get("workers", 1))
    lines: Counter[tuple[str, str, int, bytes]] = Counter()
    order = []
    assert sum(grouped.lines) == sum(len(Path(one.path).read_bytes().removesuffix(b"\n").split(b"\n")) for one in files)
    for bucket in range(len(grouped.sizes)):
        size = 0
        for key, rows in people(work, grouped, bucket):
            order.append(key)
            size += len(rows)
            lines.update((key, Path(files[file].name).name, number, body) for _, file, number, body in rows)
        assert grouped.sizes[bucket] == size
    lines.update(("", Path(files[file].name).name, number, body) for _, file, number, body in nobody(work, grouped))
    return lines, order


LINES = st.lists(st.tuples(st.sampled_from("abcdefgh"), st.integers(0, 60)), min_size=1, max_size=40)


@settings(max_examples=60, deadline=None)
@given(
    lines=LINES,
    stretch=st.integers(1, 300),
    bucket=st.integers(40, 3000),
    ends=st.sampled_from([b"\n", b"\r\n"]),
    last=st.booleans(),
)
def test_every_line_has_its_number_however_files_are_cut(
    tmp_path_factory: pytest.TempPathFactory, lines: list[tuple[str, int]], stretch: int, bucket: int, ends: bytes, last: bool
) -> None:
    """Stretches of any size, buckets of any number: every line once, whole, in its patient's bucket; patients in one order."""
    folder = tmp_path_factory.mktemp("cut")
    (folder / "in").mkdir()
    written = [observation(patient, "x" * size) for patient, size in lines]
    (folder / "in" / "a.ndjson").write_bytes(ends.join(written) + (ends if last else b""))
    expected = Counter((patient, "a.ndjson", number, written[number - 1]) for number, (patient, _) in enumerate(lines, 1))
    whole, order = found(folder)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(grouping, "STRETCH", stretch)
        patch.setattr(grouping, "BUCKET", bucket)
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
        assert list(people(tmp_path / "one", one, bucket)) == list(people(tmp_path / "two", two, bucket))


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
        key: [orjson.loads(body)["id"] for role, _, _, body in rows if role == Role.MEDICATION]
        for bucket in range(len(grouped.sizes))
        for key, rows in people(tmp_path / "work", grouped, bucket)
    }

    assert {f"p{number}": [f"m{number % 3}"] if number % 3 < 2 else [] for number in range(50)} == medications
    assert (1, 34 - 2) == (grouped.unnamed, grouped.shared)
