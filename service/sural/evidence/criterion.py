"""Factors decided by grounds: what makes a finding of the person's present, and what it takes to call it absent.

A factor is present when one ground for it is met, absent when one ground against it is met and none for it, and unknown otherwise:
not finding a reason to call something present is not a reason to call it absent.
"""

from collections.abc import Callable, Iterable
from collections.abc import Set as AbstractSet
from typing import Any, Generic, Protocol, TypeVar

from msgspec import Struct

from sural.evidence.citation import Citation
from sural.evidence.rulebook import Rulebook
from sural.evidence.truth import NO, UNKNOWN, YES, Truth

View = TypeVar("View", bound="Seen")
Evidence = tuple[Any, ...]


class Seen(Protocol):
    """What a criterion judges: anything that can say which concepts were recorded at all."""

    @property
    def codes(self) -> frozenset[str]: ...


class Ground(Struct, Generic[View], frozen=True):
    """One clause: its id, the rule in words, where it comes from, the concepts it reads, and a test.

    The test returns the findings that meet the ground, none when it is not met; it is not asked when none of its concepts was recorded.
    """

    id: str
    text: str
    citation: Citation
    reads: frozenset[str]
    test: Callable[[View], Evidence]


class Held(Struct, frozen=True, gc=False):
    """A ground that was met, with the findings that met it."""

    ground: Ground[Any]
    findings: Evidence


class Fact(Struct, frozen=True, gc=False):
    """What is known of one factor: its truth and the grounds that decided it. UNKNOWN has none, or those against it when doubted."""

    factor: str
    truth: Truth
    held: tuple[Held, ...] = ()
    doubted: bool = False


class Criterion(Generic[View]):
    """A factor with its grounds for and against."""

    __slots__ = ("absent", "display", "factor", "present", "reads", "unknown")

    def __init__(self, factor: str, display: str, present: tuple[Ground[View], ...], absent: tuple[Ground[View], ...]) -> None:
        self.factor = factor
        self.display = display
        self.present = present
        self.absent = absent
        self.reads = frozenset().union(*(ground.reads for ground in present + absent))
        self.unknown = Fact(factor, UNKNOWN)

    def judge(self, view: View) -> Fact:
        """Decide the factor on one view of the findings."""
        return self.about(view.codes).decide(view)

    def about(self, recorded: AbstractSet[str]) -> "Criterion[View]":
        """The same with the grounds that are left when only these concepts were recorded."""
        present, absent = (
            tuple(ground for ground in grounds if not ground.reads.isdisjoint(recorded))
            for grounds in (self.present, self.absent)
        )
        return Criterion(self.factor, self.display, present, absent)

    def decide(self, view: View) -> Fact:
        """Decide the factor by all of its grounds."""
        held = []
        for ground in self.present:
            if findings := ground.test(view):
                held.append(Held(ground, findings))
        if held:
            return Fact(self.factor, YES, tuple(held))
        for ground in self.absent:
            if findings := ground.test(view):
                return Fact(self.factor, NO, (Held(ground, findings),))
        return self.unknown


class Criteria(Rulebook[Criterion[View]]):
    """Criteria in the order in which they are judged; of which nothing was recorded is unknown: `unknown` has that fact of each factor."""

    def __init__(self, criteria: Iterable[Criterion[View]]) -> None:
        super().__init__(criteria, lambda criterion: criterion.reads)
        self.unknown = {criterion.factor: criterion.unknown for criterion in self.rules}

    def judge(self, view: View, facts: dict[str, Fact]) -> None:
        """Add every factor, as one view of the findings decides it; a criterion may look at the facts before it."""
        facts |= self.unknown
        for criterion in self.about(view.codes):
            facts[criterion.factor] = criterion.decide(view)

    def _about(self, recorded: frozenset[str]) -> tuple[Criterion[View], ...]:
        left = super()._about(recorded)
        return tuple(criterion.about(recorded) for criterion in left)


def doubt(fact: Fact) -> Fact:
    """The same factor when something that is no evidence still speaks for it: a NO becomes UNKNOWN."""
    return Fact(fact.factor, UNKNOWN, fact.held, doubted=True) if fact.truth is NO else fact
