"""Working days: the tabulated public holidays against the library they were computed with."""

from datetime import date
from importlib.metadata import version

import pytest

from sural.plan import calendar as calendars
from sural.plan.calendar import TABULATED, YEARS, Calendar, calendar, library_holidays


def test_the_table_of_holidays_equals_the_library() -> None:
    """`holidays.tsv` holds what the pinned library computes now, no more and no less, and names its version."""
    asked = {(region, year): library_holidays(region, year) for region in TABULATED for year in YEARS}

    assert asked == calendars._tabulated()
    assert f"GB-SCT, holidays {version('holidays')}" == Calendar("GB-SCT").data


def test_a_one_off_holiday_is_in_the_table() -> None:
    """Scotland, 15 June 2026: a day named once, which no rule foretells (as the pinned library has it); England worked."""
    assert not Calendar("GB-SCT").is_working_day(date(2026, 6, 15))
    assert Calendar("GB-ENG").is_working_day(date(2026, 6, 15))


@pytest.mark.parametrize(
    ("region", "day"), [("DE-BY", date(2026, 1, 6)), ("SE", date(2026, 6, 6)), ("GB-ENG", date(2050, 12, 26))]
)
def test_other_regions_and_years_are_asked_of_the_library(region: str, day: date) -> None:
    """Epiphany in Bavaria, the national day of Sweden, Boxing Day beyond the table (common practice, no source)."""
    assert day in library_holidays(region, day.year)
    assert not calendar(region).is_working_day(day)


def test_a_region_without_holidays_is_refused() -> None:
    """No calendar is guessed."""
    with pytest.raises(ValueError, match="no calendar"):
        calendar("GB-XYZ")
