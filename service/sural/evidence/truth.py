"""Three-valued truth and its connectives.

The tables are Kleene's strong logic of indeterminacy (S. C. Kleene, Introduction to Metamathematics, 1952, section 64): the order
NO < UNKNOWN < YES makes "or" the maximum and "and" the minimum, and an unknown operand never counts as either.
"""

from collections.abc import Iterable
from enum import IntEnum


class Truth(IntEnum):
    """Whether something holds. UNKNOWN is a value of its own: not recorded is never read as normal."""

    NO = 0
    UNKNOWN = 1
    YES = 2

    def __str__(self) -> str:
        return _WORDS[self]


_WORDS = ("no", "unknown", "yes")
NO, UNKNOWN, YES = Truth


def any_of(truths: Iterable[Truth]) -> Truth:
    """YES when one operand is, NO when all are; NO of nothing."""
    return max(truths, default=NO)


def all_of(truths: Iterable[Truth]) -> Truth:
    """YES when all operands are, NO when one is; YES of nothing."""
    return min(truths, default=YES)


def at_least(count: int, truths: Iterable[Truth]) -> Truth:
    """Whether `count` or more operands hold: the `count`-th largest of them."""
    ranked = sorted(truths, reverse=True)
    if count <= 0:
        return YES
    return ranked[count - 1] if count <= len(ranked) else NO


def absent(truth: Truth) -> Truth:
    """The negation: UNKNOWN stays UNKNOWN."""
    return _NEGATED[truth]


_NEGATED = (YES, UNKNOWN, NO)
