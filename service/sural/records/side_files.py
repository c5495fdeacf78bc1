"""What an export tells beside its resources: its errors, and what was deleted. FHIR Bulk Data Access 2, "Response - Complete Status"."""

from collections.abc import Callable

import msgspec
from msgspec import Struct

from sural.records.bulk import BulkExport, Export
from sural.records.fetching import patient_id

DELETED = "export names deleted resources: pull everything once with --since 1900-01-01T00:00:00Z"


class _Issue(Struct):
    severity: str = "error"
    code: str = ""


class _Outcome(Struct):
    issue: list[_Issue] = []


class _Request(Struct):
    url: str = ""


class _Entry(Struct):
    request: _Request


class _Deleted(Struct):
    entry: list[_Entry] = []


async def errors(exporter: BulkExport, export: Export, remark: Callable[[str], None]) -> int:
    """How many errors the error files tell of; their codes become remarks. Raises RecordsFault."""
    found = 0

    def take(line: bytes) -> None:
        nonlocal found
        try:
            issues = msgspec.json.decode(line, type=_Outcome).issue
        except (msgspec.MsgspecError, UnicodeDecodeError):
            issues = [_Issue("error", "unreadable")]
        for issue in issues:
            found += issue.severity in ("error", "fatal")
            remark(f"export {issue.severity}: {issue.code}")

    await exporter.each(export.errors, export, take)
    return found


async def deleted(exporter: BulkExport, export: Export, base: str, remark: Callable[[str], None]) -> set[str]:
    """The patients who were deleted; of anything else an export does not say whose it was, which is remarked. Raises RecordsFault."""
    found: set[str] = set()

    def take(line: bytes) -> None:
        try:
            urls = [entry.request.url for entry in msgspec.json.decode(line, type=_Deleted).entry]
        except (msgspec.MsgspecError, UnicodeDecodeError):
            urls = [""]
        patients = [id for url in urls if (id := patient_id(url, base)) is not None]
        found.update(patients)
        if len(patients) < len(urls):
            remark(DELETED)

    await exporter.each(export.deleted, export, take)
    return found
