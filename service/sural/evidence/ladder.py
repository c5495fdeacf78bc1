"""Ordered categories decided by conditions: the exact range over everything still unknown, and what would settle it."""

from collections.abc import Callable, Iterable, Mapping, Sequence
from functools import lru_cache
from operator import itemgetter

from msgspec import Struct

from sural.evidence.formula import ALWAYS, Formula, any_of
from sural.evidence.truth import UNKNOWN, YES, Truth


class Reach(Struct, frozen=True, gc=False):
    """What can be said of a category while some factors are unknown.

    `at_least` and `at_most` are the lowest and highest category over all completions of the unknown factors. `open` holds the
    unknown factors that still change the category in some completion; `because` the factors that hold and put the floor where it
    is. Factors are independent of each other, so one set alone settles the category whatever its members turn out to be, and no
    smaller one does: a factor left out could still move it. `would_settle` is that set, or empty when nothing is open.
    """

    at_least: str
    at_most: str
    because: tuple[str, ...]
    open: tuple[str, ...]

    @property
    def settled(self) -> bool:
        return self.at_least == self.at_most

    @property
    def category(self) -> str | None:
        """The category when both ends meet, else None."""
        return self.at_least if self.at_least == self.at_most else None

    @property
    def would_settle(self) -> tuple[tuple[str, ...], ...]:
        return (self.open,) if self.open else ()


class Ladder:
    """Categories from mildest to worst, each with the condition that reaches it; the mildest needs none.

    Conditions are evaluated on bit masks, one bit per factor. Results are remembered: there are few distinct states of the factors.
    """

    def __init__(self, rungs: Sequence[tuple[str, Formula]]) -> None:
        """`rungs`: (category, condition), mildest first. Raises ValueError when the mildest has a condition of its own."""
        if not rungs or rungs[0][1] != ALWAYS:
            raise ValueError("the mildest category must hold always")
        self.categories = tuple(category for category, _ in rungs)
        self.factors = tuple(sorted(frozenset().union(*(condition.factors for _, condition in rungs))))
        self._bit = {factor: 1 << index for index, factor in enumerate(self.factors)}
        self._ways = tuple(self._masks(condition) for _, condition in rungs)
        reached = [any_of(*(condition for _, condition in rungs[level:])) for level in range(len(rungs))]
        self._reached = tuple(self._masks(condition) for condition in reached)
        self._given: Callable[[Mapping[str, Truth]], tuple[Truth | None, ...]] = (
            itemgetter(*self.factors) if len(self.factors) > 1 else lambda truths: tuple(map(truths.get, self.factors))
        )
        self._reach = lru_cache(maxsize=4096)(self._reach_of)

    def reach(self, truths: Mapping[str, Truth]) -> Reach:
        """The range for these truths; a factor that is not given is unknown."""
        try:
            given = self._given(truths)
        except KeyError:
            given = tuple(map(truths.get, self.factors))
        return self._reach(given)

    def category(self, present: Iterable[str]) -> str:
        """The category when exactly these factors hold."""
        return self.categories[self._level(sum(self._bit[factor] for factor in set(present) & self._bit.keys()))]

    def _reach_of(self, truths: tuple[Truth | None, ...]) -> Reach:
        known = list(zip(self._bit.values(), truths, strict=True))
        present = sum(bit for bit, truth in known if truth is YES)
        unknown = sum(bit for bit, truth in known if truth is UNKNOWN or truth is None)
        low, high = self._level(present), self._level(present | unknown)
        because = self._union(way for way in self._ways[low] if way & present == way)
        still_open = 0
        for level in range(low + 1, high + 1):
            missing = [way & ~present for way in self._reached[level] if way & ~(present | unknown) == 0]
            still_open |= self._union(m for m in missing if not any(n != m and n & m == n for n in missing))
        return Reach(self.categories[low], self.categories[high], self._names(because), self._names(still_open))

    def _level(self, present: int) -> int:
        for level in range(len(self._ways) - 1, 0, -1):
            for way in self._ways[level]:
                if way & present == way:
                    return level
        return 0

    def _masks(self, condition: Formula) -> tuple[int, ...]:
        return tuple(sorted(sum(self._bit[factor] for factor in way) for way in condition.ways))

    def _names(self, mask: int) -> tuple[str, ...]:
        return tuple(factor for factor, bit in self._bit.items() if mask & bit)

    @staticmethod
    def _union(masks: Iterable[int]) -> int:
        union = 0
        for mask in masks:
            union |= mask
        return union
