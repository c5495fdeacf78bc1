"""One foot as the foot-risk rules see it: its findings, those of the other side, and the factors decided so far."""

from collections.abc import Callable
from decimal import Decimal

from sural.evidence.citation import Citation
from sural.evidence.criterion import Evidence, Fact, Ground
from sural.evidence.truth import NO, YES
from sural.exam.examination import Examination, Limb
from sural.exam.finding import Finding

NOTHING: Evidence = ()


class Foot:
    """A side of an examination. `facts` fills up as the criteria are judged in order; later ones may look at earlier ones."""

    __slots__ = ("at", "codes", "exam", "facts", "get", "limb", "number", "other", "value")

    def __init__(self, limb: Limb, other: Limb, exam: Examination) -> None:
        self.limb = limb
        self.other = other
        self.exam = exam
        self.facts: dict[str, Fact] = {}
        self.codes = limb.codes
        self.get = limb.findings.get
        self.at = limb.at
        self.value = limb.value
        self.number = limb.number

    def is_yes(self, factor: str) -> bool:
        fact = self.facts.get(factor)
        return fact is not None and fact.truth is YES

    def is_no(self, factor: str) -> bool:
        fact = self.facts.get(factor)
        return fact is not None and fact.truth is NO

    def valued(self, code: str, *answers: str) -> Evidence:
        """The finding of a concept when its value is one of these answers."""
        finding = self.get(code)
        return (finding,) if finding is not None and finding.value in answers else NOTHING

    def evidence_of(self, factor: str) -> Evidence:
        """The findings behind a factor that was decided earlier."""
        fact = self.facts.get(factor)
        return tuple([finding for held in fact.held for finding in held.findings]) if fact else NOTHING

    def person(self, code: str) -> Finding | None:
        return self.exam.get(code)


def recorded(id: str, text: str, citation: Citation, code: str, *answers: str) -> Ground[Foot]:
    """A ground that is met when a concept has one of these answers."""

    def test(foot: Foot) -> Evidence:
        finding = foot.get(code)
        return (finding,) if finding is not None and finding.value in answers else NOTHING

    return Ground(id, text, citation, frozenset({code}), test)


def below(id: str, text: str, citation: Citation, code: str, limit: Decimal) -> Ground[Foot]:
    """A ground that is met when a number lies below a limit."""
    return Ground(id, text, citation, frozenset({code}), _compared(code, lambda number: number < limit))


def from_(id: str, text: str, citation: Citation, code: str, limit: Decimal) -> Ground[Foot]:
    """A ground that is met when a number is at a limit or above."""
    return Ground(id, text, citation, frozenset({code}), _compared(code, lambda number: number >= limit))


def when(id: str, text: str, citation: Citation, reads: tuple[str, ...], test: Callable[[Foot], Evidence]) -> Ground[Foot]:
    """A ground with a test of its own, over the concepts it reads."""
    return Ground(id, text, citation, frozenset(reads), test)


def _compared(code: str, holds: Callable[[Decimal], bool]) -> Callable[[Foot], Evidence]:
    def test(foot: Foot) -> Evidence:
        finding = foot.get(code)
        return (finding,) if finding is not None and holds(finding.number) else NOTHING

    return test
