"""FHIR dates and times as intervals: a partial date is the whole day, month or year it names, and offsets are kept."""

import re
from calendar import monthrange
from datetime import UTC, date, datetime
from functools import lru_cache

from dateutil.relativedelta import relativedelta
from msgspec import Struct

_PARTIAL = re.compile(r"([0-9]{4})(?:-([0-9]{2})(?:-([0-9]{2}))?)?")
_FULL = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}T[0-9]{2}:[0-9]{2}:[0-9]{2}(\.[0-9]+)?(Z|[+-][0-9]{2}:[0-9]{2})")
_DURATION = re.compile(r"P(?=[0-9])(?:([0-9]+)Y)?(?:([0-9]+)M)?(?:([0-9]+)W)?(?:([0-9]+)D)?")
_DAY = 86_400


class Moment(Struct, frozen=True, gc=False):
    """When something was: the instants it may span (seconds since 1970, UTC) and the local calendar days.

    A date without a time spans its days in UTC; it overlaps every instant of those days, and so it is neither before nor after
    them. `first_day` and `last_day` are in the sender's own offset. `text` is what was sent.
    """

    start: float
    end: float
    first_day: date
    last_day: date
    text: str

    def may_be_newest_of(self, latest_start: float) -> bool:
        """Whether this could be as late as something that begins at `latest_start`."""
        return self.end >= latest_start


@lru_cache(maxsize=8192)
def moment(text: str) -> Moment | None:
    """Read a FHIR date, dateTime or instant; None when it is not one.

    Source: FHIR R4, data types date, dateTime and instant (year, year-month, date, or date and time with seconds and an offset).
    """
    try:
        partial = _PARTIAL.fullmatch(text)
        if partial:
            return _days(text, partial)
        if not _FULL.fullmatch(text):
            return None
        clock = datetime.fromisoformat(text)
    except (ValueError, OverflowError):
        return None
    instant = clock.timestamp()
    return Moment(instant, instant, clock.date(), clock.date(), text)


def period(start: str | None, end: str | None) -> Moment | None:
    """Read a FHIR Period. An open end is the start itself: what was found is known to hold from there."""
    first = moment(start) if start else None
    last = moment(end) if end else None
    if (start and not first) or (end and not last):
        return None
    if first and last:
        if last.end < first.start:
            return None
        return Moment(first.start, last.end, first.first_day, last.last_day, f"{start}/{end}")
    return first or last


def _days(text: str, partial: re.Match[str]) -> Moment:
    year, month, day = (int(part) if part else None for part in partial.groups())
    assert year is not None
    first = date(year, month or 1, day or 1)
    if day:
        last = first
    elif month:
        last = date(year, month, monthrange(year, month)[1])
    else:
        last = date(year, 12, 31)
    return Moment(_midnight(first), _midnight(last) + _DAY - 1, first, last, text)


def _midnight(day: date) -> float:
    return datetime(day.year, day.month, day.day, tzinfo=UTC).timestamp()


@lru_cache(maxsize=256)
def duration(text: str) -> relativedelta:
    """Read an ISO 8601 duration of years, months, weeks and days. Raises ValueError when it is not one."""
    match = _DURATION.fullmatch(text)
    if not match:
        raise ValueError(f"not a duration of years, months, weeks or days: {text!r}")
    years, months, weeks, days = (int(part or 0) for part in match.groups())
    return relativedelta(years=years, months=months, weeks=weeks, days=days)


@lru_cache(maxsize=4096)
def after(day: date, text: str) -> date:
    """The day that lies a duration later. Months and years keep the day number, clipped to the end of the month; beyond the calendar it is
    the last day there is."""
    ahead = duration(text)
    try:
        later: date = day + ahead
    except (ValueError, OverflowError):
        return date.max
    return later


@lru_cache(maxsize=4096)
def before(day: date, text: str) -> date:
    """The day that lies a duration earlier, by the same rule; before the calendar it is the first day there is."""
    back = duration(text)
    try:
        earlier: date = day - back
    except (ValueError, OverflowError):
        return date.min
    return earlier


def whole_years(birth: date, day: date) -> int:
    """Completed years of age on a day."""
    return day.year - birth.year - ((day.month, day.day) < (birth.month, birth.day))
