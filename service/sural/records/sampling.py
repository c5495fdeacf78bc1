"""A sample of a record system, to see what of it would be understood: whole records of some patients, whatever their codes.

The pull asks by code; this asks without, because what is not understood is what is looked for here. Nothing is written, no mark is kept.
"""

from collections.abc import AsyncIterator, Callable

from sural.records.criteria import Criterion
from sural.records.fetching import Fetcher, offered
from sural.records.http import Connection
from sural.records.search import Searcher

WHOLE = tuple(
    Criterion(kind, telling=True, evidence=True)
    for kind in ("Observation", "Condition", "Procedure", "MedicationStatement", "MedicationRequest", "QuestionnaireResponse")
)
"""Every type whose codes mean something here, without codes."""


async def sample(connection: Connection, patients: int, remark: Callable[[str], None]) -> AsyncIterator[bytes]:
    """The records of some patients, each as a collection Bundle; `patients` at most. Raises RecordsFault."""
    searcher = Searcher(connection, remark)
    fetcher = Fetcher(connection, searcher, await offered(connection, WHOLE, remark), remark)
    async for id in _ids(searcher, patients):
        yield (await fetcher.fetch(id)).bundle


async def _ids(searcher: Searcher, most: int) -> AsyncIterator[str]:
    """Patients in the order of the server, no more pages than needed."""
    seen: set[str] = set()
    async for page in searcher.pages("Patient", (("_elements", "identifier"), ("_count", str(min(most, 200))))):
        for found, _ in page.resources:
            if len(seen) == most:
                return
            if found.resourceType == "Patient" and found.id not in seen:
                seen.add(found.id)
                yield found.id
