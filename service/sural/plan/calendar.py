"""Working days of the treating site: weekends and public holidays of its country and part of the country, plus its own dates.

Holidays are dated data, not rules (Scotland had a one-off holiday on 15 June 2026): they come from a pinned library, whose version the
answer names, and a site may add or take away days. Those of the United Kingdom are tabulated in `holidays.tsv`, computed once by the
library (`python -m sural.plan.calendar` rewrites the table, a test compares it), because loading the library takes longer than an
assessment. Any other region or year goes to the library itself.
"""

from collections.abc import Mapping
from datetime import date, timedelta
from functools import cache, lru_cache
from pathlib import Path

from msgspec import Struct

_TABLE = Path(__file__).with_name("holidays.tsv")
TABULATED = ("GB-ENG", "GB-NIR", "GB-SCT", "GB-WLS")
YEARS = range(2020, 2036)

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
    return _lines()[0]


@cache
def _lines() -> tuple[str, ...]:
    """The version of the library, then a line for each region and year."""
    return tuple(_TABLE.read_text(encoding="utf-8").splitlines())


@cache
def _tabulated() -> Mapping[tuple[str, int], frozenset[date]]:
    rows = [line.split("\t") for line in _lines()[1:]]
    return {(region, int(year)): frozenset(map(date.fromisoformat, days.split())) for region, year, days in rows}


@cache
def _holidays(region: str, year: int) -> frozenset[date]:
    known = _tabulated().get((region, year))
    return library_holidays(region, year) if known is None else known


def library_holidays(region: str, year: int) -> frozenset[date]:
    """Public holidays asked of the library. Raises NotImplementedError when it has none for the region."""
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


def parts(country: str) -> tuple[str, ...]:
    """The parts of a country that have calendars of their own, as they stand in a region: GB-ENG; none for a country that is not known."""
    import holidays

    return tuple(f"{country}-{part}" for part in holidays.list_supported_countries().get(country, ()))


def main() -> None:
    """Rewrite `holidays.tsv` from the library."""
    from importlib.metadata import version

    lines = [version("holidays")]
    for region in TABULATED:
        for year in YEARS:
            days = " ".join(day.isoformat() for day in sorted(library_holidays(region, year)))
            lines.append(f"{region}\t{year}\t{days}")
    _TABLE.write_text("\n".join(lines) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
