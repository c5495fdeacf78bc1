"""Where an export is put in order: its lines come by type, patients are wanted one by one.

A SQLite file of its own in a folder that only its owner may read, deleted when the pull is over: it holds patient data.
"""

import sqlite3
import tempfile
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path
from types import TracebackType
from typing import Self

import msgspec

from sural.records.faults import Unreadable
from sural.records.fetching import ID, Fetched, bundle, no_evidence, patient_id
from sural.records.search import Found

_found = msgspec.json.Decoder(Found)
_BATCH = 2_000


class Spool:
    """Resources of one record system by patient. `unread` counts lines that are no resource, `foreign` those about nobody of the system."""

    def __init__(self, base: str, telling: frozenset[str], folder: Path | None = None) -> None:
        self._base = base
        self._telling = telling
        self._folder = tempfile.TemporaryDirectory(prefix="sural-", dir=folder)
        self._rows: list[tuple[str, str, str, str, bytes]] = []
        path = Path(self._folder.name) / "export.sqlite"
        self._store = sqlite3.connect(path, isolation_level=None)
        self._store.execute("pragma journal_mode = off")
        self._store.execute("pragma synchronous = off")
        self._store.execute(
            "create table resource (patient text, type text, id text, medication text, body blob, primary key (type, id))"
        )
        with suppress(OSError):  # where the system permits it, so that a kill leaves nothing behind either
            path.unlink()
        self.unread = 0
        self.foreign = 0

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, fault: BaseException | None, trace: TracebackType | None) -> None:
        self._store.close()
        self._folder.cleanup()

    def take(self, line: bytes) -> None:
        """One line of an export; the same resource again takes the place of the one before."""
        try:
            line.decode()
            found = _found.decode(line)
        except (msgspec.MsgspecError, UnicodeDecodeError):
            self.unread += 1
            return
        if not no_evidence(found):
            medication = (found.medicationReference.reference if found.medicationReference else None) or ""
            patient = patient_id(found.about, self._base) or ""
            self.foreign += found.resourceType in self._telling and not patient
            self._rows.append((patient, found.resourceType, found.id, medication.rpartition("/")[2], line))
            if len(self._rows) >= _BATCH:
                self._flush()

    def _flush(self) -> None:
        self._store.execute("begin")
        self._store.executemany("insert or replace into resource values (?, ?, ?, ?, ?)", self._rows)
        self._store.execute("commit")
        self._rows.clear()

    def missing(self) -> list[str]:
        """The ids of the medications that are named and did not come: an export of patients need not hold what is about nobody."""
        self._flush()
        rows = self._store.execute(
            "select distinct medication from resource where medication <> '' except select id from resource where type = 'Medication' order by 1"
        )
        return [row[0] for row in rows if ID.fullmatch(row[0])]

    def settle(self) -> None:
        """No more lines: ready to be read by patient."""
        self._flush()
        self._store.execute("create index by_patient on resource (patient)")

    def patients(self) -> Iterator[str]:
        """The patients with a resource of a type that makes them due, in the order of their ids."""
        marks = ",".join("?" * len(self._telling))
        rows = self._store.execute(
            f"select distinct patient from resource where patient <> '' and type in ({marks}) order by patient",
            sorted(self._telling),
        )
        return (row[0] for row in rows)

    async def fetch(self, patient: str) -> Fetched:
        """A patient's resources, with the medications that they name. Raises Unreadable where the patient did not come with them."""
        rows = self._store.execute(
            "select type, id, medication, body from resource where patient = ? order by type, id", (patient,)
        ).fetchall()
        resources = {f"{kind}/{id}": body for kind, id, _, body in rows}
        if f"Patient/{patient}" not in resources:
            raise Unreadable("export", "findings came without their patient")
        for _, _, medication, _ in rows:
            if medication:
                body = self._store.execute(
                    "select body from resource where type = 'Medication' and id = ?", (medication,)
                ).fetchone()
                if body is not None:
                    resources[f"Medication/{medication}"] = body[0]
        return Fetched(bundle(self._base, resources), any(kind in self._telling for kind, *_ in rows))
