"""The population on Spark: exactly what the local engine writes, whatever happens to a worker.

What needs Spark runs on a cluster inside this process (two threads); `tests.spark_cluster` runs it on separate processes and kills them.
"""

import gzip
import logging
import os
import random
import shutil
import subprocess
import sys
from collections import Counter
from pathlib import Path
from typing import Any

import msgspec
import orjson
import pytest

from sural.cohort import grouping
from sural.cohort.grouping import Unreadable
from sural.cohort.inputs import NotThere, inputs
from sural.cohort.journal import Occupied
from sural.cohort.lines import Role
from sural.cohort.persons import Assessor, Order, Outcome
from sural.cohort.spark.faults import TaskFault
from sural.cohort.synthetic.writing import write
from sural.doors.request import Request
from tests.builders import Exam
from tests.cohorts import AS_OF, PEOPLE, Silent, assess, bulk, islanders
from tests.commands import RUN
from tests.spark_cluster import differences


def lacking() -> str | None:
    """Why nothing can run on Spark here."""
    try:
        import pandas  # noqa: F401
        import pyarrow  # noqa: F401
        import pyspark  # noqa: F401
    except ModuleNotFoundError as fault:
        return f"the extra `spark` is not installed ({fault.name} is missing)"
    return None if shutil.which("java") else "there is no Java on the path"


needs_spark = pytest.mark.skipif(lacking() is not None, reason=lacking() or "")
noisy = pytest.mark.filterwarnings("ignore")  # of Spark's own libraries
logging.getLogger("py4j").setLevel(logging.WARNING)  # below, every call of Java is told


def on_spark(source: str, out: Path, resume: bool = False, earlier: tuple[str, ...] = (), watch: Any = None) -> Any:
    """A run on Spark over what is in a folder."""
    from sural.cohort.spark.running import run

    out.mkdir(exist_ok=True)
    order = Order(Request(AS_OF, report="none"), True, ())
    return run([source], earlier, out, order, "local[2]", resume, watch or Silent())


@pytest.fixture
def small_parts(monkeypatch: pytest.MonkeyPatch) -> None:
    """Parts of a few people and stretches of a few lines, so that there are many."""
    if lacking() is None:
        from sural.cohort.spark import gathering, session

        monkeypatch.setattr(gathering, "PART", 300_000)
        monkeypatch.setitem(session._ALWAYS, "spark.sql.files.maxPartitionBytes", "200k")
        monkeypatch.setitem(session._ALWAYS, "spark.sql.shuffle.partitions", "2")


@pytest.fixture(scope="module")
def locally(export: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """What the local engine makes of them."""
    out = tmp_path_factory.mktemp("locally")
    assess(export, out)
    return out


def _odd(folder: Path) -> None:
    """Files as they also come: their names, their compression, their line ends; lines of nobody; the same line twice."""
    lines = [line for path in sorted(folder.iterdir()) for line in path.read_bytes().splitlines(keepends=True)]
    for path in list(folder.iterdir()):
        path.unlink()
    random.Random(4).shuffle(lines)
    nobody = [
        b"{",
        b"[1]",
        b'{"a": 1}',
        b'{"resourceType":"Nonsense"}',
        b'{"resourceType":"Observation","status":"final","code":{}}',
    ]
    (folder / "a [1]{x}.ndjson").write_bytes(b"".join(lines[::4]))
    (folder / "_hidden.ndjson").write_bytes(gzip.compress(b"".join(lines[1::4])))
    (folder / "plain.ndjson.gz").write_bytes(b"".join(lines[2::4]) + lines[0])
    (folder / "crlf%20é.jsonl").write_bytes(b"\xef\xbb\xbf" + b"".join(lines[3::4]).replace(b"\n", b"\r\n"))
    (folder / "nobody.ndjson").write_bytes(b"\n".join([*nobody, b"", b"  ", *nobody]))
    (folder / "empty.ndjson").write_bytes(b"")
    (folder / "other.ndjson").write_bytes(b'{"resourceType":"Claim","id":"c"}\n' * 7)


def _bytes(folder: Path) -> None:
    """A file that is not UTF-8 throughout."""
    (folder / "latin.ndjson").write_bytes(
        b"\xff\xfe\n"
        + '{"resourceType":"Observation","subject":{"reference":"Patient/skerrow-0000001"},"x":"é"}\n'.encode("latin-1")
    )


@needs_spark
@noisy
@pytest.mark.parametrize("spoil", [_odd, _bytes])
def test_spark_writes_what_the_local_engine_writes(spoil: Any, tmp_path: Path, small_parts: None) -> None:
    """The same lines, report and account, for files in any form; rejects by file and line."""
    source = tmp_path / "in"
    write(source, PEOPLE, 1, AS_OF, faulty=0.02)
    spoil(source)
    assess(source, tmp_path / "local")
    on_spark(str(source), tmp_path / "spark")

    assert [] == differences(tmp_path / "local", tmp_path / "spark")
    assert 1 < len(list((tmp_path / "spark" / "answers.ndjson").iterdir()))


@needs_spark
@noisy
def test_what_has_changed_since_an_earlier_run_is_the_same(tmp_path: Path, small_parts: None) -> None:
    """Earlier summaries may be one file or the folder that Spark writes; the input may be an address."""
    before = bulk(
        tmp_path / "before", [one["resource"] for id in ("p1", "p2", "p3") for one in Exam(patient=id).normal().entries]
    )
    on_spark(f"file://{before}/*.ndjson", tmp_path / "first")
    worse = [one["resource"] for one in Exam(patient="p1").normal().not_felt("left").entries]
    now = bulk(tmp_path / "now", [*worse, *(one["resource"] for one in Exam(patient="p2").normal().entries)])
    earlier = tmp_path / "first" / "summaries.ndjson"
    locally = assess(now, tmp_path / "local", earlier=[earlier])
    on_spark(str(now), tmp_path / "spark", earlier=(str(earlier),))

    assert 3 == sum(len(part.read_bytes().splitlines()) for part in earlier.iterdir())
    assert 1 == locally.part("since")["not-in-this-input"]
    assert [] == differences(tmp_path / "local", tmp_path / "spark")


class _Dying(Silent):
    """Ends the process, as far as a test can, after some patients, or as soon as it hears of the grouping."""

    def __init__(self, after: int | None) -> None:
        self.after = after

    def grouping(self, files: int, size: int) -> None:
        if self.after is None:
            raise KeyboardInterrupt

    def advance(self, patients: int, lines: int) -> None:
        self.after = (self.after or 0) - patients
        if self.after < 0:
            raise KeyboardInterrupt


@needs_spark
@noisy
@pytest.mark.parametrize("after", [None, 0, 20])
def test_a_run_on_spark_that_ended_too_early_is_taken_up(
    export: Path, locally: Path, tmp_path: Path, small_parts: None, after: int | None
) -> None:
    """Nobody twice, nobody lost. The local engine leaves it alone, and once it is done nothing is done again."""
    with pytest.raises(KeyboardInterrupt):
        on_spark(str(export), tmp_path, watch=_Dying(after))
    with pytest.raises(Occupied, match="--resume"):
        on_spark(str(export), tmp_path)
    if after is not None:
        with pytest.raises(Occupied, match="other inputs or options"):
            assess(export, tmp_path, resume=True)
    on_spark(str(export), tmp_path, resume=True)

    assert [] == differences(locally, tmp_path)
    on_spark(str(export), tmp_path, resume=True, watch=_Dying(None))


@needs_spark
@noisy
def test_the_outputs_of_one_engine_give_way_to_those_of_the_other(export: Path, locally: Path, tmp_path: Path) -> None:
    """A file or a folder of parts, under the same name."""
    on_spark(str(export), tmp_path)
    assess(export, tmp_path)

    assert (locally / "answers.ndjson").read_bytes() == (tmp_path / "answers.ndjson").read_bytes()
    on_spark(str(export), tmp_path)

    assert [] == differences(locally, tmp_path)


@needs_spark
@noisy
def test_what_cannot_be_read_to_its_end_stops_the_run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """By the name of the file."""
    folder = bulk(tmp_path / "in", islanders(2))
    whole = gzip.compress((folder / "Observation.ndjson").read_bytes())
    (folder / "Observation.ndjson").write_bytes(whole[: len(whole) // 2])

    with pytest.raises(Unreadable, match=r"Observation.ndjson: the compressed file ends too early"):
        on_spark(str(folder), tmp_path / "out")
    (folder / "Observation.ndjson").write_bytes(b"x" * (grouping.LONGEST_LINE + 1))
    with pytest.raises(Unreadable, match=r"Observation.ndjson: a line is longer than 16 MiB"):
        on_spark(str(folder), tmp_path / "out", resume=True)
    with pytest.raises(NotThere, match=r"no file"):
        on_spark(f"file://{tmp_path}/nothing", tmp_path / "nowhere")


@needs_spark
def test_whose_a_line_is_is_told_as_the_local_engine_tells_it(export: Path, tmp_path: Path) -> None:
    """Batch by batch, from the middle of a file too; numbers begin with each stretch."""
    import pyarrow as pa

    from sural.cohort.spark.keying import Keying

    files = inputs([str(export)])
    grouped = grouping.group(files, (), tmp_path, 1)
    kept = [row for bucket in range(len(grouped.sizes)) for _, rows in grouping.people(tmp_path, bucket) for row in rows]
    wanted = [
        (key or None, role, grouped.starts[stretch][0], grouped.starts[stretch][1] + number, body)
        for key, stretch, number, role, body in (*kept, *grouping.nobody(tmp_path))
    ]
    found = []
    for number, one in enumerate(files):
        lines = Path(one.path).read_bytes().splitlines()
        cut = [(lines[first : first + 50], int(first >= 100)) for first in range(0, len(lines), 50)]
        batches = (
            pa.record_batch(
                {
                    "line": pa.array(some, pa.binary()),
                    "path": pa.array([f"file://{one.path}"] * len(some)),
                    "block": pa.array([block] * len(some), pa.int64()),
                }
            )
            for some, block in cut
        )
        for batch in Keying({f"file:{one.path}": number}, len(files), 7)(batches):
            found += [
                (row["key"], row["role"], row["file"], row["number"] + 1 + 100 * row["block"], row["line"])
                for row in batch.to_pylist()
                if row["role"] != Role.MEDICATION
            ]

    assert sorted((one for one in wanted if one[1] != Role.MEDICATION), key=repr) == sorted(found, key=repr)
    assert PEOPLE == len({row[0] for row in found} - {None})


class _Held:
    """What Spark hands to a task."""

    def __init__(self, job: Any) -> None:
        self.value = job


@pytest.fixture
def one_part(tmp_path: Path) -> Any:
    """Lines of two people as the grouping leaves them, in one part."""
    pa = pytest.importorskip("pyarrow", reason="the extra `spark` is not installed")
    import pyarrow.parquet as pq

    from sural.cohort.spark import parts

    resources = [one["resource"] for id in ("p1", "p2") for one in Exam(patient=id).normal().entries]
    whose = [
        one.get("subject", {}).get("reference", f"Patient/{one['id']}").removeprefix("Patient/").encode()
        for one in resources
    ]
    for name in (parts.PARTS, parts.ATTEMPTS, f"{parts.GROUPED}/part=0"):
        (tmp_path / name).mkdir(parents=True)
    nought = [0] * len(whose)
    columns = {
        "key": whose,
        "role": nought,
        "file": nought,
        "block": nought,
        "number": range(len(whose)),
        "line": map(orjson.dumps, resources),
    }
    pq.write_table(
        pa.table({name: list(column) for name, column in columns.items()}), tmp_path / parts.GROUPED / "part=0" / "a.parquet"
    )
    grouped = grouping.Grouped((len(whose),), ((0, 1),), (len(whose),), 0, 0, 0, 0, (0,))
    return parts.Job(str(tmp_path), Order(Request(AS_OF, report="none"), True, ("in.ndjson",)), grouped)


def test_a_part_is_committed_once_however_often_it_is_done(one_part: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    """Of two attempts side by side the first wins; nothing of the other is left."""
    from sural.cohort.spark import parts
    from sural.cohort.spark.parts import Assess

    folder = Path(one_part.folder)
    write_part = parts._write

    def overtaken(job: Any, folder: Path, part: int, attempt: Path) -> None:
        monkeypatch.setattr(parts, "_write", write_part)
        assert [0] == list(Assess(_Held(job))(iter([0])))
        write_part(job, folder, part, attempt)

    monkeypatch.setattr(parts, "_write", overtaken)
    assert [0] == list(Assess(_Held(one_part))(iter([0])))

    assert 2 == len((folder / "parts" / "00000" / "summaries.ndjson").read_bytes().splitlines())
    assert [] == list((folder / "attempts").iterdir())
    assert 2 == (parts.done(folder, 0) or {})["patients"]


def test_a_part_whose_task_fails_is_not_there(one_part: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    """The fault goes on by its kind, without what its text may hold."""
    from sural.cohort.spark.parts import Assess

    def failing(self: Assessor, key: str, rows: Any, outcome: Outcome) -> None:
        raise ValueError(f"something about {key}")

    monkeypatch.setattr(Assessor, "assess", failing)
    with pytest.raises(TaskFault, match=r"^sural task fault: ValueError -1$"):
        list(Assess(_Held(one_part))(iter([0])))

    assert [] == list((Path(one_part.folder) / "parts").iterdir())
    assert [] == list((Path(one_part.folder) / "attempts").iterdir())


def test_a_worker_with_other_software_or_without_the_folder_does_nothing(one_part: Any) -> None:
    """Answers of two versions are never mixed."""
    from sural.cohort.spark.parts import Assess

    for job, kind in (
        (msgspec.structs.replace(one_part, software=("0", "0")), "other-software"),
        (msgspec.structs.replace(one_part, folder="/nonexistent"), "not-shared"),
    ):
        with pytest.raises(TaskFault, match=kind):
            list(Assess(_Held(job))(iter([0])))


def test_tallies_add_up_in_any_order_and_grouping() -> None:
    """However people are spread over parts, and in whatever order parts are counted."""
    chance = random.Random(5)
    assessor = Assessor(Order(Request(AS_OF, report="none"), False, ("in",)), ((0, 1),))
    single = []
    for number in range(1, 13):
        outcome = Outcome()
        rows = [(b"", 0, line, Role.RESOURCE, orjson.dumps(one)) for line, one in enumerate(islanders(number)[-40:])]
        assessor.assess(f"p{number}", rows, outcome)
        single.append(outcome.tally)
    whole: Counter[str] = Counter()
    for tally in single:
        whole.update(tally)
    for _ in range(20):
        chance.shuffle(single)
        cuts = sorted(chance.sample(range(1, len(single)), 3))
        spread = [sum(single[first:last], Counter()) for first, last in zip([0, *cuts], [*cuts, None], strict=True)]

        assert whole == sum(spread, Counter())
    assert 12 == whole["people"]


def _command(*more: str, without: str = "", environment: dict[str, str] | None = None) -> "subprocess.CompletedProcess[str]":
    program = f"import sys; sys.modules[{without!r}] = None\n{RUN}" if without else RUN
    return subprocess.run(
        [sys.executable, "-c", program, "cohort", "assess", *more], capture_output=True, text=True, timeout=120, env=environment
    )


def test_without_the_extra_the_message_names_it(tmp_path: Path) -> None:
    """No traceback: what to install."""
    done = _command("in", "--out", str(tmp_path), "--engine", "spark", without="pyspark")

    assert (
        1,
        "sural cohort: --engine spark needs more than the base installation: pip install '.[spark]' in a clone of Sural (pyspark is missing)\n",
    ) == (
        done.returncode,
        done.stderr,
    )


@pytest.mark.skipif("extra" in (lacking() or ""), reason=lacking() or "")
def test_without_java_the_message_says_so(tmp_path: Path) -> None:
    """Before anything is begun."""
    environment = {name: value for name, value in os.environ.items() if name != "JAVA_HOME"} | {"PATH": str(tmp_path)}
    done = _command("in", "--out", str(tmp_path / "out"), "--engine", "spark", environment=environment)

    assert (1, "sural cohort: Spark needs Java 17 or newer, and there is none on the path or in JAVA_HOME\n") == (
        done.returncode,
        done.stderr,
    )


@pytest.mark.parametrize(
    ("more", "said"),
    [
        (("--master", "local[1]"), "--master belongs to --engine spark"),
        (("--engine", "spark", "--master", "local[1]", "--workers", "2"), "--workers is for this machine"),
    ],
)
def test_options_of_the_other_engine_are_refused(more: tuple[str, ...], said: str, tmp_path: Path) -> None:
    """Rather than left aside in silence."""
    done = _command("in", "--out", str(tmp_path), *more)

    assert (2, True) == (done.returncode, said in done.stderr)
