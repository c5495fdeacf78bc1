"""Working days of the treating site: weekends and public holidays of its country and part of the country, plus its own dates.

Holidays are dated data, not rules (Scotland had a one-off holiday on 15 June 2026): they come from a pinned library, whose version the
answer names, and a site may add or take away days.
"""

from datetime import date, timedelta
from functools import cache, lru_cache

from msgspec import Struct

_SATURDAY = 5


class Calendar(Struct, frozen=True):
    """The working days of a site: `region` as ISO 3166 (GB-ENG, GB-SCT, GB-NIR, DE-BY, SE), extra closed days, and days kept open."""

    region: str = "GB-ENG"
    closed: frozenset[date] = frozenset()
    open: frozenset[date] = frozenset()

    @property
    def data(self) -> str:
        """The data behind the calendar, for the trace."""
        return f"{self.region}, holidays {_data_version()}"

    def is_working_day(self, day: date) -> bool:
        if day in self.open:
            return True
        return day.weekday() < _SATURDAY and day not in self.closed and day not in _holidays(self.region, day.year)

    def next_working_day(self, day: date, count: int = 1) -> date:
        """The working day that comes `count` working days strictly after a day."""
        return _next(self, day, count)

    def last_working_day(self, day: date) -> date:
        """The day itself when it is a working day, else the working day before it."""
        return _last(self, day)


@lru_cache(maxsize=2048)
def _next(calendar: Calendar, day: date, count: int) -> date:
    for _ in range(count):
        day += timedelta(days=1)
        while not calendar.is_working_day(day):
            day += timedelta(days=1)
    return day


@lru_cache(maxsize=2048)
def _last(calendar: Calendar, day: date) -> date:
    while not calendar.is_working_day(day):
        day -= timedelta(days=1)
    return day


@cache
def _data_version() -> str:
    from importlib.metadata import version

    return version("holidays")


@cache
def _holidays(region: str, year: int) -> frozenset[date]:
    import holidays

    country, _, part = region.partition("-")
    return frozenset(holidays.country_holidays(country, subdiv=part or None, years=year))


def calendar(region: str) -> Calendar:
    """The calendar of a country or part of one. Raises ValueError when there are no holidays for it."""
    try:
        _holidays(region, date.min.year + 2025)
    except NotImplementedError as fault:
        raise ValueError(f"no calendar for {region!r}") from fault
    return Calendar(region)
