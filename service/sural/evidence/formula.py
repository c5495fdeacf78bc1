"""Monotone conditions over named factors, kept as their minimal sufficient sets.

A condition built here can only become true, never false, when one more factor turns to yes: there is no negation to write. That is
what a risk category asks for ("one more bad finding never lowers a risk"), and it makes bounds over unknown factors exact: all
unknown factors taken as no give the floor, all taken as yes the ceiling.
"""

from collections.abc import Iterable
from itertools import combinations, product

from msgspec import Struct


class Formula(Struct, frozen=True):
    """A condition that holds when all factors of one of its `ways` hold; no way contains another."""

    ways: frozenset[frozenset[str]]

    @property
    def factors(self) -> frozenset[str]:
        """Every factor that can matter to the condition."""
        return frozenset().union(*self.ways)

    def holds(self, present: frozenset[str] | set[str]) -> bool:
        """Whether the condition is met when exactly `present` holds."""
        return any(way <= present for way in self.ways)


Operand = Formula | str


def any_of(*operands: Operand) -> Formula:
    """Met when one operand is."""
    return Formula(_minimal(way for operand in operands for way in _formula(operand).ways))


def all_of(*operands: Operand) -> Formula:
    """Met when every operand is."""
    choices = product(*(_formula(operand).ways for operand in operands))
    return Formula(_minimal(frozenset().union(*choice) for choice in choices))


def at_least(count: int, *operands: Operand) -> Formula:
    """Met when `count` or more operands are."""
    return any_of(*(all_of(*some) for some in combinations(operands, count)))


NEVER = Formula(frozenset())
ALWAYS = Formula(frozenset({frozenset()}))


def _formula(operand: Operand) -> Formula:
    return Formula(frozenset({frozenset({operand})})) if isinstance(operand, str) else operand


def _minimal(ways: Iterable[frozenset[str]]) -> frozenset[frozenset[str]]:
    distinct = set(ways)
    return frozenset(way for way in distinct if not any(other < way for other in distinct))
