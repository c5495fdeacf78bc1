"""Bulk Data $export from the side of the client (FHIR Bulk Data Access 2)."""

import gzip
import zlib
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import httpx
import orjson
import pytest
import respx

from sural.records.bulk import BulkExport, Export, File
from sural.records.fake_ehr.app import FakeEhr
from sural.records.faults import HostRefused, Unreachable, Unreadable
from sural.records.http import Connection
from sural.records.keys import jwks, read_keys
from sural.records.scopes import scopes
from sural.records.smart import BackendService
from sural.records.spool import Spool
from tests.ehr import BASE, EC, Tokens, Waits, connect, fake_ehr, run, using

KINDS = ("Patient", "Observation")
JOB = f"{BASE}/jobs/1"
NDJSON = {"content-type": "application/fhir+ndjson"}
MANIFEST = {
    "transactionTime": "2026-03-03T00:00:00Z",
    "request": f"{BASE}/$export",
    "requiresAccessToken": False,
    "output": [],
    "error": [],
}


def exported(ehr: FakeEhr, authoriser: Any = None, **how: Any) -> Any:
    """What an export gave: the export itself and its lines by type; or the fault."""

    async def use(connection: Connection) -> tuple[Export, list[bytes]]:
        exporter = BulkExport(connection)
        lines: list[bytes] = []
        async with exporter.run(KINDS, **how) as export:
            await exporter.each(export.output, export, lines.append)
        return export, lines

    return using(ehr, use, authoriser)


def ids(lines: list[bytes]) -> list[str]:
    return [f"{one['resourceType']}/{one['id']}" for one in map(orjson.loads, lines)]


def scripted(use: Any, *statuses: httpx.Response, tokens: Tokens | None = None) -> tuple[Any, Waits, Any]:
    """What `use` gives against a job that answers as told; the waits; the requests."""
    waits = Waits()
    with respx.mock(assert_all_called=False) as mock:
        mock.get(f"{BASE}/Patient/$export").respond(202, headers={"content-location": JOB})
        mock.get(JOB).mock(side_effect=list(statuses))
        mock.delete(JOB).respond(202)

        async def work() -> Any:
            async with Connection(BASE, tokens, sleep=waits, now=lambda: 1_000_000.0) as connection:
                try:
                    return await use(connection)
                except (Unreadable, Unreachable, HostRefused) as fault:
                    return fault

        return run(work()), waits, [call.request for call in mock.calls]


async def manifest_of(connection: Connection) -> Export:
    async with BulkExport(connection).run(KINDS, since="2026-03-01T00:00:00Z") as export:
        return export


@pytest.mark.parametrize("how", [{}, {"paged_manifest": True}, {"compressed_files": True}, {"retry_after_as_date": True}])
def test_everything_that_is_exported_comes(how: dict[str, Any]) -> None:
    """M1, M2, M4: both manifest shapes, gzip and plain files."""
    ehr = fake_ehr(30, **how)
    _, lines = exported(ehr)

    assert {kept.reference for kind in KINDS for kept in ehr.store.all(kind)} == set(ids(lines))
    assert len(lines) == len(set(ids(lines)))


def test_the_job_is_asked_for_as_the_standard_wants() -> None:
    """M1: Prefer respond-async, _type, _since, NDJSON."""
    _, _, sent = scripted(manifest_of, httpx.Response(200, json=MANIFEST))
    asked = sent[0]

    assert "respond-async" == asked.headers["prefer"]
    assert {"_type": "Patient,Observation", "_since": "2026-03-01T00:00:00Z", "_outputFormat": "application/fhir+ndjson"} == dict(
        asked.url.params
    )


def test_polling_is_as_slow_as_the_server_wants() -> None:
    """M1: Retry-After in seconds or as a date; without one the waits grow."""
    date = "Mon, 12 Jan 1970 13:47:10 GMT"  # 1,000,030 seconds after the epoch
    _, waits, _ = scripted(
        manifest_of, httpx.Response(202, headers={"retry-after": "20"}), httpx.Response(202, headers={"retry-after": date}),
        httpx.Response(202), httpx.Response(202), httpx.Response(200, json=MANIFEST),
    )  # fmt: skip

    assert [20, 30, 4, 8] == waits


def test_polling_too_fast_is_not_a_failure() -> None:
    """M1, G2: 429 while polling is waited out."""
    found, waits, _ = scripted(
        manifest_of, httpx.Response(429, headers={"retry-after": "400"}), httpx.Response(200, json=MANIFEST)
    )

    assert "2026-03-03T00:00:00Z" == found.instant
    assert 400 in waits


def test_a_job_that_never_ends_is_given_up() -> None:
    """M1: after as many seconds as the caller allows; the job is deleted."""

    async def impatient(connection: Connection) -> Export:
        async with BulkExport(connection, longest=100).run(KINDS) as export:
            return export

    found, _, sent = scripted(impatient, *[httpx.Response(202, headers={"retry-after": "30"})] * 9)

    assert isinstance(found, Unreachable)
    assert "DELETE" == sent[-1].method


def test_the_job_is_deleted_when_it_is_done() -> None:
    """M6: also in the fake EHR nothing is left."""
    ehr = fake_ehr(3)
    exported(ehr)

    assert 0 == len(ehr.exports)


@pytest.mark.parametrize("needed", [True, False])
def test_the_token_goes_with_a_file_only_when_it_must(needed: bool, tmp_path: Path) -> None:
    """M3: requiresAccessToken decides; the fake EHR refuses a token that is not wanted."""
    file = tmp_path / "key.pem"
    file.write_bytes(EC.as_pem(private=True))
    (key,) = read_keys(file)
    ehr = fake_ehr(3, {"c": jwks([key])}, files_need_token=needed)
    service = BackendService(connect(ehr), "c", key, scopes(["*"]))

    _, lines = exported(ehr, service)

    assert lines


def test_a_file_on_a_trusted_host_gets_the_token_only_when_it_must() -> None:
    """M3, N5: never otherwise."""
    files = {**MANIFEST, "output": [{"type": "Patient", "url": f"{BASE}/f1"}]}

    async def read(connection: Connection) -> None:
        exporter = BulkExport(connection)
        async with exporter.run(KINDS) as export:
            await exporter.each(export.output, export, lambda _: None)

    sent = []
    for needed in (True, False):
        with respx.mock as mock:
            mock.get(f"{BASE}/Patient/$export").respond(202, headers={"content-location": JOB})
            mock.get(JOB).respond(json={**files, "requiresAccessToken": needed})
            route = mock.get(f"{BASE}/f1").respond(content=b"{}\n", headers=NDJSON)
            mock.delete(JOB).respond(202)

            async def work() -> None:
                async with Connection(BASE, Tokens(), sleep=Waits()) as connection:
                    await read(connection)

            run(work())
            sent.append(route.calls[0].request.headers.get("authorization"))

    assert ["Bearer t1", None] == sent


def test_a_file_on_a_foreign_host_is_not_read() -> None:
    """N5: a manifest cannot send the client anywhere."""
    files = {**MANIFEST, "output": [{"type": "Patient", "url": "https://elsewhere.example/f1"}]}

    async def read(connection: Connection) -> None:
        exporter = BulkExport(connection)
        async with exporter.run(KINDS) as export:
            await exporter.each(export.output, export, lambda _: None)

    assert isinstance(scripted(read, httpx.Response(200, json=files))[0], HostRefused)


@pytest.mark.parametrize(
    "wrong",
    [{}, {"transactionTime": "x"}, {**MANIFEST, "output": [{"type": "Patient"}]}, {**MANIFEST, "requiresAccessToken": "no"}, []],
)
def test_what_is_no_manifest_is_not_read(wrong: Any) -> None:
    """M2: transactionTime, requiresAccessToken and the address of each file are needed."""
    assert isinstance(scripted(manifest_of, httpx.Response(200, json=wrong))[0], Unreadable)


def test_parts_of_a_manifest_that_lead_back_are_noticed() -> None:
    """M2: a next link to a part that was read."""
    circle = {**MANIFEST, "link": [{"relation": "next", "url": JOB}]}

    assert "leads back" in str(scripted(manifest_of, httpx.Response(200, json=circle))[0])


@pytest.mark.parametrize("name", ["error", "outcome"])
def test_errors_are_read_under_both_names(name: str) -> None:
    """M2: `error`, later `outcome`."""
    found, _, _ = scripted(
        manifest_of, httpx.Response(200, json={**MANIFEST, name: [{"type": "OperationOutcome", "url": f"{BASE}/e"}]})
    )

    assert (File(f"{BASE}/e", "OperationOutcome"),) == found.errors


def test_a_server_that_does_not_accept_is_told_apart() -> None:
    """M1: anything but 202 with Content-Location."""
    with respx.mock as mock:
        mock.get(f"{BASE}/Patient/$export").respond(200, json={})

        async def work() -> Any:
            async with Connection(BASE) as connection:
                try:
                    return await manifest_of(connection)
                except Unreadable as fault:
                    return fault

        assert "GET Patient/$export: the export was not accepted" == str(run(work()))


def lines_of(*answers: httpx.Response, count: int | None = None, url: str = f"{BASE}/f1") -> tuple[Any, Any]:
    """The lines of one file, or the fault; and the requests for it."""
    export = Export("2026-03-03T00:00:00Z", False, (), (), ())
    taken: list[bytes] = []
    with respx.mock as mock:
        route = mock.get(url).mock(side_effect=list(answers))

        async def work() -> Any:
            async with Connection(BASE, sleep=Waits()) as connection:
                try:
                    await BulkExport(connection).each([File(url, "Patient", count)], export, taken.append)
                except (Unreadable, Unreachable) as fault:
                    return fault
                return taken

        return run(work()), route.call_count


async def cut(*parts: bytes) -> AsyncIterator[bytes]:
    """A body that breaks off."""
    for part in parts:
        yield part
    raise httpx.ReadError("")


def test_lines_are_put_together_across_pieces() -> None:
    """M4: read bit by bit; empty lines and a missing last line end do not matter."""

    async def parts() -> AsyncIterator[bytes]:
        for part in (b'{"a"', b":1}\n\n{", b'"b":2}\r\n', b'{"c":3}'):
            yield part

    assert [b'{"a":1}', b'{"b":2}', b'{"c":3}'] == lines_of(httpx.Response(200, headers=NDJSON, content=parts()))[0]


def test_a_file_that_breaks_off_is_read_again() -> None:
    """M5: each file by itself, from its start."""
    found, asked = lines_of(
        httpx.Response(200, headers=NDJSON, content=cut(b"{}\n{}\n")), httpx.Response(502), httpx.Response(200, headers=NDJSON, content=b"{}\n{}\n{}\n"),
        count=3,
    )  # fmt: skip

    assert (5, 3) == (len(found), asked)


def test_a_file_with_fewer_lines_than_announced_is_read_again() -> None:
    """M2: `count` of the manifest."""
    found, asked = lines_of(*[httpx.Response(200, headers=NDJSON, content=b"{}\n")] * 5, count=2)

    assert isinstance(found, Unreachable)
    assert 5 == asked


def test_a_compressed_file_that_ends_too_early_is_noticed() -> None:
    """M4: gzip has an end of its own."""
    half = gzip.compress(b'{"a": 1}\n' * 1000)[:-10]
    found, _ = lines_of(*[httpx.Response(200, headers={"content-type": "application/gzip"}, content=half)] * 5)

    assert isinstance(found, Unreachable)


def members(*texts: bytes) -> bytes:
    return b"".join(map(gzip.compress, texts))


@pytest.mark.parametrize("how", [{"content-type": "application/gzip"}, {**NDJSON, "content-encoding": "gzip"}], ids=["file", "coding"])
def test_every_member_of_a_compressed_file_is_read(how: dict[str, str]) -> None:
    """RFC 1952, 2.2: a gzip file may have several members, as writers that work in parallel leave it."""
    content = members(b'{"a":1}\n{"b"', b":2}\n", b'{"c":3}\n')
    found, _ = lines_of(httpx.Response(200, headers=how, stream=httpx.ByteStream(content)))

    assert [b'{"a":1}', b'{"b":2}', b'{"c":3}'] == found


def test_a_coding_that_ends_too_early_is_noticed() -> None:
    """M4: whole lines came, and the end of gzip did not."""
    packer = zlib.compressobj(wbits=31)
    half = packer.compress(b'{"a":1}\n') + packer.flush(zlib.Z_SYNC_FLUSH)
    answers = [httpx.Response(200, headers={**NDJSON, "content-encoding": "gzip"}, stream=httpx.ByteStream(half)) for _ in range(5)]

    assert isinstance(lines_of(*answers)[0], Unreachable)


@pytest.mark.parametrize("content", [members(b'{"a":1}\n'), b'{"a":1}\n'], ids=["packed", "plain"])
def test_a_file_may_be_declared_otherwise_than_it_is(content: bytes) -> None:
    """M4: file stores name a file .gz that they send with a coding of gzip, or keep the type of what is in it."""
    found, _ = lines_of(httpx.Response(200, headers=NDJSON, content=content), url=f"{BASE}/f1.gz")

    assert [b'{"a":1}'] == found


def test_a_server_that_wants_to_be_asked_again_at_once_is_not_besieged() -> None:
    """M1: Retry-After of nought counts as a second, so that a job that never ends is given up."""
    waits = Waits()

    async def work() -> Any:
        async with Connection(BASE, sleep=waits) as connection:
            with pytest.raises(Unreachable):
                async with BulkExport(connection, longest=10).run(["Patient"]):
                    raise AssertionError("no manifest came")

    with respx.mock as mock:
        mock.get(f"{BASE}/Patient/$export").respond(202, headers={"content-location": f"{BASE}/jobs/1"})
        mock.get(f"{BASE}/jobs/1").respond(202, headers={"retry-after": "0"})
        mock.delete(f"{BASE}/jobs/1").respond(202)
        run(work())

    assert [1.0] * 10 == waits


@pytest.mark.parametrize("kind", ["text/html", "application/json", "application/xml"])
def test_a_file_of_another_type_is_not_read(kind: str) -> None:
    """M4: a page of a proxy holds no patients."""
    assert isinstance(lines_of(httpx.Response(200, headers={"content-type": kind}, content=b"<html>"))[0], Unreadable)


def spooled(*lines: Any, telling: frozenset[str] = frozenset({"Observation"})) -> tuple[list[str], list[list[str]], int]:
    """The patients in a spool, what is fetched of each, and how many lines could not be read."""
    with Spool(BASE, telling) as spool:
        for line in lines:
            spool.take(line if isinstance(line, bytes) else orjson.dumps(line))
        spool.settle()
        patients = list(spool.patients())

        async def all_of() -> list[Any]:
            return [orjson.loads((await spool.fetch(patient)).bundle) for patient in patients]

        return (
            patients,
            [[entry["fullUrl"].removeprefix(f"{BASE}/") for entry in one["entry"]] for one in run(all_of())],
            spool.unread,
        )


def resource(kind: str, id: str, patient: str = "p1", **more: Any) -> dict[str, Any]:
    return {"resourceType": kind, "id": id, "subject": {"reference": f"Patient/{patient}"}, **more}


def test_lines_by_type_become_patients() -> None:
    """Bulk Data comes one type per file: the order of lines does not matter, and a line that comes again counts once."""
    patients, found, unread = spooled(
        resource("Observation", "o2", "p2"), {"resourceType": "Patient", "id": "p1"}, resource("Observation", "o1"), resource("Observation", "o1"),
        {"resourceType": "Patient", "id": "p2"}, resource("Condition", "c1"), {"resourceType": "Patient", "id": "p3"}, b'{"resourceType":',
    )  # fmt: skip

    assert ["p1", "p2"] == patients
    assert [["Condition/c1", "Observation/o1", "Patient/p1"], ["Observation/o2", "Patient/p2"]] == found
    assert 1 == unread


def test_medications_come_with_those_who_take_them() -> None:
    """A MedicationStatement may name a Medication that is about nobody."""
    _, found, _ = spooled(
        {"resourceType": "Patient", "id": "p1"}, {"resourceType": "Medication", "id": "m1"}, resource("Observation", "o1"),
        resource("MedicationStatement", "s1", medicationReference={"reference": "Medication/m1"}),
    )  # fmt: skip

    assert "Medication/m1" in found[0]


def test_findings_without_their_patient_are_no_record() -> None:
    """Whether somebody has died or was merged stands in the Patient, which a search insists on too."""
    with Spool(BASE, frozenset({"Observation"})) as spool:
        spool.take(orjson.dumps(resource("Observation", "o1")))
        spool.settle()
        with pytest.raises(Unreadable):
            run(spool.fetch("p1"))


def test_findings_about_nobody_of_the_system_are_counted() -> None:
    """As where an export names its references by another address."""
    with Spool(BASE, frozenset({"Observation"})) as spool:
        spool.take(orjson.dumps({**resource("Observation", "o1"), "subject": {"reference": "https://inside.skerrow.example/fhir/Patient/p1"}}))
        spool.take(orjson.dumps(resource("Observation", "o2")))

        assert 1 == spool.foreign


def test_the_spool_leaves_nothing_behind(tmp_path: Path) -> None:
    """P2: it holds patient data."""
    with Spool(BASE, frozenset(), tmp_path) as spool:
        spool.take(orjson.dumps(resource("Observation", "o1")))
        spool.settle()
        while_open = len(list(tmp_path.iterdir()))

    assert (1, []) == (while_open, list(tmp_path.iterdir()))


def test_a_spool_that_is_killed_leaves_no_patient_data(tmp_path: Path) -> None:
    """P2: nobody deletes anything after a kill."""
    with Spool(BASE, frozenset({"Observation"}), tmp_path) as spool:
        for number in range(5_000):
            spool.take(orjson.dumps(resource("Observation", f"o{number}")))
        left = [path for path in tmp_path.rglob("*") if path.is_file()]
        spool.settle()

        assert [] == left
        assert ["p1"] == list(spool.patients())
