"""Numbers that are known only as a range: counts and scores with missing items."""

from collections.abc import Iterable
from decimal import Decimal

from msgspec import Struct


class Span(Struct, frozen=True):
    """All values from `low` to `high` are still possible."""

    low: Decimal
    high: Decimal

    @property
    def exact(self) -> Decimal | None:
        """The value when both ends meet."""
        return self.low if self.low == self.high else None

    def __add__(self, other: "Span") -> "Span":
        return Span(self.low + other.low, self.high + other.high)


def exactly(number: int | str | Decimal) -> Span:
    """A number that is known."""
    value = Decimal(number)
    return Span(value, value)


def between(low: int | str | Decimal, high: int | str | Decimal) -> Span:
    """A number that lies somewhere between two, both included."""
    return Span(Decimal(low), Decimal(high))


def total(spans: Iterable[Span]) -> Span:
    """The sum: of independent parts, exact at both ends."""
    result = exactly(0)
    for span in spans:
        result = result + span
    return result
