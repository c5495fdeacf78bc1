"""Bulk Data $export of the fake EHR: kick-off, status, manifest, files, deletion of the job. FHIR Bulk Data Access 2."""

import gzip
import uuid
from collections.abc import Mapping

from msgspec import Struct

from sural.records.fake_ehr.faults import Faults
from sural.records.fake_ehr.store import Json, Kept, Refusal, Store

LINES = 500
"""Resources in one file."""
POLLS = 1
"""How often a job says that it is not done yet."""


class Job(Struct):
    """An export: its files by name, and how far it is."""

    instant: str
    request: str
    files: dict[str, bytes]
    kinds: dict[str, str]
    polls: int = 0
    downloads: int = 0


class Exports:
    """The jobs of the fake EHR."""

    def __init__(self, store: Store) -> None:
        self._store = store
        self._jobs: dict[str, Job] = {}

    def start(self, url: str, query: Mapping[str, str], group: str | None, faults: Faults) -> str:
        """Begin a job and give its id. Raises Refusal."""
        kinds = query["_type"].split(",") if "_type" in query else self._store.kinds()
        members = self._members(group) if group else None
        since = [("_lastUpdated", f"ge{query['_since']}")] if "_since" in query else []
        job = Job(self._store.now(), url, {}, {})
        for kind in kinds:
            found = [one for one in self._store.search(kind, since) if members is None or (one.patient or one.id) in members]
            for number in range(0, len(found), LINES):
                self._file(job, kind, number // LINES, found[number : number + LINES])
        if faults.broken_lines and job.files:
            name = next(iter(job.files))
            job.files[name] = job.files[name] + b'{"resourceType": "Observation", "id": \n'
        if faults.partial_export and job.files:
            job.files.pop(list(job.files)[-1])
        id = str(uuid.uuid4())
        self._jobs[id] = job
        return id

    def _file(self, job: Job, kind: str, number: int, found: list[Kept]) -> None:
        name = f"{kind}-{number}.ndjson"
        job.files[name] = b"".join(one.raw + b"\n" for one in found)
        job.kinds[name] = kind

    def _members(self, group: str) -> set[str]:
        resource = self._store.read("Group", group).resource or {}
        return {one["entity"]["reference"].removeprefix("Patient/") for one in resource.get("member", ())}

    def manifest(self, id: str, address: str, part: int, faults: Faults) -> Json | None:
        """The manifest, or a part of it where it comes in parts; None while the job is not done. Raises Refusal."""
        job = self._job(id)
        job.polls += 1
        if job.polls <= POLLS:
            return None
        output = [
            {
                "type": job.kinds[name],
                "url": f"{address}/files/{name}{'.gz' if faults.compressed_files else ''}",
                "count": content.count(b"\n"),
            }
            for name, content in job.files.items()
        ]
        manifest: Json = {
            "transactionTime": job.instant,
            "request": job.request,
            "requiresAccessToken": faults.files_need_token,
            "output": output,
            "error": [],
        }
        if faults.partial_export:
            manifest["error"] = [{"type": "OperationOutcome", "url": f"{address}/files/errors.ndjson"}]
        if faults.deleted:
            manifest["deleted"] = [{"type": "Bundle", "url": f"{address}/files/deleted.ndjson"}]
        if faults.paged_manifest:
            manifest["outcome"] = manifest.pop("error")
            manifest["output"] = output[part : part + 1]
            if part + 1 < len(output):
                manifest["link"] = [{"relation": "next", "url": f"{address}?part={part + 1}"}]
        return manifest

    def file(self, id: str, name: str, faults: Faults) -> tuple[bytes, bool]:
        """The bytes of a file, and whether its download is cut off. Raises Refusal."""
        job = self._job(id)
        job.downloads += 1
        if name == "errors.ndjson":
            content = b'{"resourceType":"OperationOutcome","issue":[{"severity":"error","code":"timeout"}]}\n'
        elif name == "deleted.ndjson":
            content = _deleted(faults.deleted)
        elif name.removesuffix(".gz") in job.files:
            content = job.files[name.removesuffix(".gz")]
        else:
            raise Refusal(404, "not-found")
        cut = bool(faults.lost_file_every) and job.downloads % faults.lost_file_every == 0
        return gzip.compress(content) if name.endswith(".gz") else content, cut

    def forget(self, id: str) -> None:
        """Delete a job. Raises Refusal."""
        self._job(id)
        del self._jobs[id]

    def __len__(self) -> int:
        return len(self._jobs)

    def _job(self, id: str) -> Job:
        try:
            return self._jobs[id]
        except KeyError:
            raise Refusal(404, "not-found") from None


def _deleted(references: tuple[str, ...]) -> bytes:
    entries = ",".join(f'{{"request":{{"method":"DELETE","url":"{one}"}}}}' for one in references)
    return f'{{"resourceType":"Bundle","type":"transaction","entry":[{entries}]}}\n'.encode()
