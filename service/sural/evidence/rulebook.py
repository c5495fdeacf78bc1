"""Rules with the concepts they read, so that only those are asked of which something was recorded."""

from collections.abc import Callable, Iterable, Iterator
from collections.abc import Set as AbstractSet
from functools import lru_cache
from typing import Generic, TypeVar

Rule = TypeVar("Rule")


class Rulebook(Generic[Rule]):
    """Rules in their order. `reads` gives the concepts of a rule: without one of them it cannot hold; none means it is always asked.

    Which rules are left for a set of concepts is remembered: the examinations of a service record much the same ones.
    """

    def __init__(self, rules: Iterable[Rule], reads: Callable[[Rule], AbstractSet[str]]) -> None:
        self.rules = tuple(rules)
        self._reads = tuple(reads(rule) for rule in self.rules)
        self.about: Callable[[frozenset[str]], tuple[Rule, ...]] = lru_cache(maxsize=4096)(self._about)

    def __iter__(self) -> Iterator[Rule]:
        return iter(self.rules)

    def _about(self, recorded: frozenset[str]) -> tuple[Rule, ...]:
        pairs = zip(self.rules, self._reads, strict=True)
        return tuple(rule for rule, reads in pairs if not reads or not reads.isdisjoint(recorded))
