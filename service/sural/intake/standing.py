"""What entries in a record have in common: they stand until they end, and anything may modify them."""

from datetime import UTC, date, datetime
from functools import lru_cache

from sural.exam.moment import Moment, moment, period
from sural.intake import wire
from sural.intake.context import Context, Gathered
from sural.intake.documents import Item

_ALWAYS = -62135596800.0


def when(text: str | None, span: wire.Period | None) -> Moment | None:
    """A date or Period, None when neither was sent. Raises ValueError when it is no date."""
    if text is None and span is None:
        return None
    found = moment(text) if text is not None else period(span.start, span.end) if span else None
    if found is None and (text is not None or (span is not None and (span.start or span.end))):
        raise ValueError("not a date")
    return found


def ongoing(since: Moment | None, as_of: date) -> Moment:
    """From a beginning (or from ever) until the day of assessment: what an open entry in a record claims. Its text ends in a stroke."""
    end = _end_of(as_of)
    if since is None:
        return Moment(_ALWAYS, end, date.min, as_of, "ongoing")
    if since.first_day > as_of:
        return since
    return Moment(since.start, max(end, since.end), since.first_day, max(as_of, since.last_day), f"{since.text}/")


@lru_cache(maxsize=64)
def _end_of(day: date) -> float:
    return datetime(day.year, day.month, day.day, 23, 59, 59, tzinfo=UTC).timestamp()


def modified(context: Context, item: Item, record: wire.Resource, about: Gathered) -> bool:
    """Whether something unknown may change the meaning of the whole resource."""
    if not record.modifierExtension and record.implicitRules is None:
        return False
    context.unusable(item, "modifier-extension", about, ".modifierExtension[0]" if record.modifierExtension else ".implicitRules")
    return True
