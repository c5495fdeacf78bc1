"""One finding in the normal form, and where it came from."""

from decimal import Decimal
from typing import Any

from msgspec import Struct

from sural.exam.moment import Moment
from sural.terminology.concept import Concept
from sural.terminology.site import Site

Value = str | Decimal | Moment


class Source(Struct, gc=False):
    """The input resource behind a finding: its number in the input, where it stands, its type and identity.

    `line` counts from 1 in input that came as lines. `holder` is what a contained resource stands in, or the response an answer is
    from; `within` is the rest of the path from there, where it is not `contained`. `told` is what is left to read of a resource without a
    record, whose structure is at fault: of whom it is, of what and where.
    """

    index: int
    base: str
    number: int
    full_url: str | None
    type: str
    record: Any = None
    line: int | None = None
    holder: "Source | None" = None
    within: str = ""
    told: Any = None

    @property
    def path(self) -> str:
        """The FHIRPath that selects the resource in the input."""
        if self.holder is not None:
            return self.holder.path + (self.within or f".contained[{self.number}]")
        return f"{self.base}.entry[{self.number}].resource" if self.number >= 0 else self.base

    @property
    def reference(self) -> str | None:
        """The reference under which the resource can be cited, or None when it has no identity; of a contained one, its holder's."""
        if self.holder is not None:
            return self.holder.reference
        record = self.record
        return f"{self.type}/{record.id}" if record is not None and record.id else self.full_url

    @property
    def issued(self) -> str:
        """When an Observation was made available; empty for anything else."""
        return getattr(self.record, "issued", None) or ""


class Finding(Struct, frozen=True, gc=False, eq=False):
    """What was found: a concept, where, the value and when.

    `side` is left, right or None (a person-level concept, or a side that was not stated). `value` is an answer code, a number in the
    concept's unit, or a moment. `details` carries components that belong to the finding, by their code. A finding with no source
    was not sent but follows from what the sender declared or from another finding; `assumed` says from which.
    """

    concept: Concept
    side: str | None
    site: Site | None
    value: Value
    moment: Moment | None
    source: Source | None
    details: tuple[tuple[str, Value], ...] = ()
    assumed: str | None = None

    def detail(self, code: str) -> Value | None:
        """The first component of this code."""
        for name, value in self.details:
            if name == code:
                return value
        return None

    @property
    def said(self) -> str:
        """The value as text: an answer code, a plain number, or the date as it was sent."""
        return said(self.value)

    def as_node(self) -> dict[str, Any]:
        """The finding as plain JSON, with the input it came from."""
        node: dict[str, Any] = {"concept": self.concept.code, "value": self.said}
        if self.side:
            node["side"] = self.side
        if self.site:
            node["site"] = self.site.code
        if self.moment:
            node["when"] = self.moment.text
        if self.source:
            node["path"] = self.source.path
            if self.source.reference:
                node["reference"] = self.source.reference
        if self.assumed:
            node["follows"] = self.assumed
        return node

    @property
    def number(self) -> Decimal:
        """The value as a number. Raises TypeError for a coded value."""
        if isinstance(self.value, Decimal):
            return self.value
        raise TypeError(f"{self.concept.code} is not a number")


def said(value: Value) -> str:
    """A value as text: an answer code, a plain number, or the date as it was sent."""
    if isinstance(value, str):
        return value
    return value.text if isinstance(value, Moment) else f"{value:f}"


class Unheard(Struct, frozen=True, gc=False):
    """What a resource that cannot be used might have said: no evidence, but while it stands nothing it speaks for is ruled out.

    `side` is None when it is missing or doubtful, `value` None when it could not be read.
    """

    concept: Concept
    side: str | None
    site: Site | None
    value: Value | None
    moment: Moment | None
    source: Source
    details: tuple[tuple[str, Value], ...] = ()


class NotExamined(Struct, frozen=True, gc=False):
    """A finding that was sent as not examined, with its reason (a data-absent-reason code)."""

    concept: Concept
    side: str | None
    site: Site | None
    reason: str
    moment: Moment | None
    source: Source
