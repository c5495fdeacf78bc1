"""What a pull keeps between two runs, and from when it asks for changes."""

from collections.abc import Iterable
from datetime import UTC, datetime, timedelta
from typing import Protocol

from sural.exam.moment import moment

KIND = "changes"
BACK_TO = "back-to"
"""The kind of mark that says from when the next pull has to look where that is before the end of the last run: what `since` asked for and
is not done, or the instant of an export that was older than its run."""


class PullLedger(Protocol):
    """What the pull keeps. See `sural.ledger.store.Ledger`."""

    def mark(self, source: str, kind: str) -> str | None: ...
    def begin_run(self, source: str, until: str) -> int: ...
    def set_mark(self, source: str, kind: str, instant: str) -> None: ...
    def add_work(self, run: int, patients: Iterable[str]) -> None: ...
    def put_off(self, run: int, patients: Iterable[str]) -> None: ...
    def open_work(self, run: int, limit: int) -> list[str]: ...
    def done(self, run: int, patient: str, outcome: str) -> None: ...
    def finish_run(self, run: int) -> None: ...


def asked_from(ledger: PullLedger, source: str, given: str | None, overlap: timedelta) -> str | None:
    """From when changes are asked for; None for everything. What `given` asked for is kept until a pull has done it."""
    back_to = ledger.mark(source, BACK_TO)
    if given and (not back_to or earlier(given, overlap) < earlier(back_to, overlap)):
        back_to = given
        ledger.set_mark(source, BACK_TO, given)
    mark = ledger.mark(source, KIND)
    if given is None and mark is None:
        return None
    return min(earlier(one, overlap) for one in (given or mark, back_to) if one)


def earlier(instant: str, overlap: timedelta) -> str:
    """An instant some time before. Raises ValueError for what is none."""
    found = moment(instant)
    if found is None:
        raise ValueError(instant)
    try:
        earlier = datetime.fromtimestamp(found.start, UTC) - overlap
    except (OverflowError, ValueError):
        earlier = datetime.min.replace(tzinfo=UTC)
    return earlier.isoformat(timespec="seconds").replace("+00:00", "Z")
