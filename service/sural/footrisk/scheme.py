"""A risk scheme as a declaration: its categories from mildest to worst, each with its clause, condition and review."""

from collections.abc import Mapping

from msgspec import Struct

from sural.evidence.citation import Citation
from sural.evidence.criterion import Fact
from sural.evidence.formula import Formula
from sural.evidence.ladder import Ladder, Reach
from sural.evidence.truth import Truth

NOT_APPLICABLE = "not-applicable"
NOT_STRATIFIED = "not-stratified"
OPEN = "open"
"""The category while only the lowest is certain and a higher one is possible."""


class Review(Struct, frozen=True):
    """When to look again: from one ISO 8601 duration to another after the assessment."""

    earliest: str
    latest: str


class Category(Struct, frozen=True):
    """One category: its code, what it is called, the condition that reaches it, where that stands and when to look again."""

    code: str
    display: str
    when: Formula
    citation: Citation
    review: Review | None
    standing: int
    note: str | None = None


class Scheme:
    """A published scheme. `standing` of its categories (0 lowest, 1 raised, 2 high, 3 active) only serves to compare schemes."""

    def __init__(
        self, id: str, title: str, citation: Citation, categories: tuple[Category, ...], stratifies_active: bool = True
    ) -> None:
        """`categories`: mildest first. `stratifies_active` is False for a scheme that leaves a foot with an ulcer out."""
        self.id = id
        self.title = title
        self.citation = citation
        self.categories = {category.code: category for category in categories}
        self.ladder = Ladder([(category.code, category.when) for category in categories])
        self.factors = self.ladder.factors
        self.stratifies_active = stratifies_active
        self.lowest = categories[0].code

    def reach(self, truths: Mapping[str, Truth]) -> Reach:
        """The range of categories for these factors."""
        return self.ladder.reach(truths)


def truths_of(facts: Mapping[str, Fact]) -> dict[str, Truth]:
    """Only the truths of some facts."""
    return {factor: fact.truth for factor, fact in facts.items()}
