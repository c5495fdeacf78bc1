"""The data dictionary: what can be found, in which scope and with which answers."""

from decimal import Decimal
from typing import Literal

from msgspec import Struct

Scope = Literal["site", "side", "person", "ulcer", "component"]
Kind = Literal["code", "Quantity", "integer", "dateTime", "component", "string"]


class Concept(Struct, frozen=True):
    """One thing an examiner can record.

    `answers` run from the most reassuring to the most adverse; the first `reassuring` of them call for nothing. `unit` is the UCUM
    unit the rules work in; `minimum` and `maximum` bound plausible numbers; `worse` says which way a number is adverse. A concept
    that does not expire is history or a standing diagnosis, which the look-back leaves alone; a `series` concept keeps its earlier
    readings because rules compare them. A `sided` concept needs left or right; a `sited` one keeps its site.
    """

    code: str
    display: str
    definition: str
    group: str
    scope: Scope
    kind: Kind
    answers: tuple[str, ...] = ()
    reassuring: int = 0
    unit: str = ""
    minimum: Decimal | None = None
    maximum: Decimal | None = None
    worse: Literal["higher", "lower", ""] = ""
    expires: bool = True
    series: bool = False
    sided: bool = False
    sited: bool = False

    def adverse(self, answer: object) -> bool:
        """Whether a coded answer is one of those that call for something."""
        return answer in self.answers[self.reassuring :]

    def severity(self, value: object) -> tuple[int, Decimal]:
        """A sort key: the larger, the worse the reading. Works for coded answers and for numbers."""
        if isinstance(value, Decimal):
            return 0, -value if self.worse == "lower" else value
        if isinstance(value, str) and value in self.answers:
            return self.answers.index(value), _ZERO
        return -1, _ZERO


_ZERO = Decimal(0)
