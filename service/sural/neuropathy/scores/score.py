"""A score as a table of items: each with its range of points, and the total over whatever is missing.

Points are floats in steps of a quarter, which binary numbers hold exactly. A missing item can have any of its points, so the total is a
range; a band is only given when both ends lie in it. A side that is not there is missing, never normal and never the other side twice.
"""

from collections.abc import Callable, Mapping
from itertools import compress

from msgspec import Struct
from msgspec.structs import force_setattr

from sural.evidence.citation import Citation
from sural.evidence.rulebook import Rulebook
from sural.exam.examination import Examination, Limb
from sural.exam.finding import Finding
from sural.terminology.site import SIDES

Points = tuple[float, float]
ABSENT_SIDE = "not-assessable"


class Item(Struct, frozen=True):
    """One item: what it asks, the concepts it reads, its side (or None), its maximum, and its points from an examination."""

    text: str
    concepts: tuple[str, ...]
    maximum: float
    points: Callable[[Examination], Points]
    side: str | None = None


class Band(Struct, frozen=True):
    """A band of the total: its name and the lowest total in it."""

    name: str
    start: float


Asked = tuple[int, Callable[[Examination], Points], float]
_NO_ITEMS: Rulebook[Asked] = Rulebook((), lambda _: frozenset())


class ScoreTable(Struct, frozen=True):
    """A published score: its items, bands with the name of the set, sources, and remarks that always go with it.

    An item of which nothing was recorded can have any of its points and is not asked. `adjust` chooses another table for an examination, `remarks` adds to a result. A score is worked out when a concept of `asked_by` (any
    that an item reads, when that is empty) was recorded. `reads`, `maximum`, `asked` (index, points and maximum of each item), `unasked`,
    `asks` (the first concept of each) and `of_side` follow from the items.
    """

    id: str
    title: str
    items: tuple[Item, ...]
    bands: tuple[Band, ...]
    citation: Citation
    band_citation: Citation
    band_set: str = ""
    notes: tuple[str, ...] = ()
    adjust: Callable[[Examination, "ScoreTable"], "ScoreTable"] | None = None
    remarks: Callable[[Examination, "Score"], tuple[str, ...]] | None = None
    asked_by: frozenset[str] = frozenset()
    reads: frozenset[str] = frozenset()
    maximum: float = 0.0
    asked: Rulebook[Asked] = _NO_ITEMS
    unasked: tuple[Points, ...] = ()
    asks: tuple[str, ...] = ()
    of_side: Mapping[str, tuple[bool, ...]] = {}

    def __post_init__(self) -> None:
        force_setattr(self, "reads", frozenset(concept for item in self.items for concept in item.concepts))
        force_setattr(self, "maximum", round(sum(item.maximum for item in self.items), 2))
        force_setattr(self, "unasked", tuple((0.0, item.maximum) for item in self.items))
        force_setattr(self, "of_side", {side: tuple(item.side == side for item in self.items) for side in SIDES})
        force_setattr(self, "asks", tuple(item.concepts[0] for item in self.items))
        asked = [(index, item.points, item.maximum) for index, item in enumerate(self.items)]
        force_setattr(self, "asked", Rulebook(asked, lambda one: frozenset(self.items[one[0]].concepts)))

    @property
    def concepts(self) -> frozenset[str]:
        """The concepts of which one at least must be recorded for the score to be worked out."""
        return self.asked_by or self.reads

    def score(self, exam: Examination, recorded: frozenset[str] | None = None) -> "Score":
        """The score of one examination, of which these concepts were recorded."""
        table = self.adjust(exam, self) if self.adjust else self
        given, low, high = list(table.unasked), 0.0, table.maximum
        for index, points_of, maximum in table.asked.about(exam.recorded if recorded is None else recorded):
            given[index] = least, most = points_of(exam)
            low += least
            high += most - maximum
        points = tuple(given)
        low, high = round(low, 2), round(high, 2)
        result = Score(table, points, low, high)
        return result if self.remarks is None else Score(table, points, low, high, self.remarks(exam, result))


class Score(Struct, frozen=True):
    """One score of one examination: points of each item, and the range of the total."""

    table: ScoreTable
    points: tuple[Points, ...]
    low: float
    high: float
    remarks: tuple[str, ...] = ()

    def up_to(self, other: "Score") -> "Score":
        """The same with an upper end as high as the other's, item by item."""
        if other.high <= self.high or len(other.points) != len(self.points):
            return self
        points = tuple((least, max(most, more)) for (least, most), (_, more) in zip(self.points, other.points, strict=True))
        return Score(self.table, points, self.low, other.high, (*self.remarks, "adverse-finding-not-usable"))

    @property
    def id(self) -> str:
        return self.table.id

    @property
    def total(self) -> float | None:
        """The total when every item is known."""
        return self.low if self.low == self.high else None

    @property
    def missing(self) -> list[str]:
        """The concepts of items whose points are not known, each once."""
        if self.low == self.high:
            return []
        return list(dict.fromkeys(compress(self.table.asks, [least != most for least, most in self.points])))

    @property
    def missing_items(self) -> list[str]:
        """The items whose points are not known, in words; with their sides where only one side's are not."""
        unknown = [item for item, (least, most) in zip(self.table.items, self.points, strict=True) if least != most]
        texts: dict[str, list[str]] = {}
        for item in unknown:
            texts.setdefault(item.text, []).append(item.side or "")
        sides = {text: sum(item.text == text for item in self.table.items) for text in texts}
        return [text if len(open_on) == sides[text] else f"{text} ({', '.join(open_on)})" for text, open_on in texts.items()]

    @property
    def band(self) -> str | None:
        """The band when both ends lie in it."""
        reached = None
        for band in self.table.bands:
            if self.high >= band.start:
                reached = band
        return reached.name if reached is not None and self.low >= reached.start else None

    def side(self, side: str) -> Points:
        """The points of one side's items."""
        points = list(compress(self.points, self.table.of_side[side]))
        return sum([least for least, _ in points]), sum([most for _, most in points])


SCORE_NOTES = {
    "adverse-finding-not-usable": "a finding could not be used, its points are open",
    "table-from-memory": "item table from memory",
    "bands-from-memory": "bands from memory",
    "monofilament-counts-from-memory": "points of the monofilament from memory",
    "age-rule-applied-from-memory": "age rule for the ankle reflex applied, from memory",
    "age-not-known": "the age is not known, what the age rule would take off is left open",
    "age-caveat": "lost ankle reflexes and absent vibration also occur in healthy people from 60",
    "left-substituted": "the right leg is amputated, the left was scored",
    "foot-ulcer-risk-marker": "6 or more marks a raised risk of foot ulcers (relative risk 2.32, 1.61 to 3.35)",
    "sides-differ": "the sides differ",
}


def number(points: float) -> int | float:
    """Points without a needless fraction."""
    return int(points) if points == int(points) else points


def item_code(id: str, index: int) -> str:
    """The code of one item of a score; items count from 1 in the order of the table."""
    return f"{id}.{index + 1}"


def item_display(text: str, side: str | None) -> str:
    """An item in words, with its side."""
    return f"{text}, {side}" if side else text


# items


def limb_of(exam: Examination, side: str) -> Limb:
    return exam.left if side == "left" else exam.right


def either_present(text: str, code: str, sided: bool = True) -> Item:
    """One point for a symptom on either side; none only when it is recorded absent on every side that is there."""

    def points(exam: Examination) -> Points:
        if not sided:
            finding = exam.person.get(code)
            return (0.0, 1.0) if finding is None else (1.0, 1.0) if finding.value == "present" else (0.0, 0.0)
        left, right = exam.left.findings.get(code), exam.right.findings.get(code)
        if (left is not None and left.value == "present") or (right is not None and right.value == "present"):
            return 1.0, 1.0
        known = (left is not None or exam.left.foot_lost) and (right is not None or exam.right.foot_lost)
        return (0.0, 0.0) if known and (left is not None or right is not None) else (0.0, 1.0)

    return Item(text, (code,), 1.0, points)


def graded(text: str, code: str, side: str, table: dict[str, Points], maximum: float) -> Item:
    """Points by the answer of a side-level concept; an answer outside the table, or none, leaves the item open."""
    unknown = (0.0, maximum)

    def points(exam: Examination) -> Points:
        limb = exam.left if side == "left" else exam.right
        finding = limb.findings.get(code)
        return unknown if finding is None else table.get(str(finding.value), unknown)

    return Item(text, (code,), maximum, points, side)


def exact(table: dict[str, float]) -> dict[str, Points]:
    """A table of single points."""
    return {answer: (points, points) for answer, points in table.items()}


_AT_TOE = ("hallux", "toes", "foot", "")
_AT_FINGER = ("index-fingertip", "fingers", "hand")


def at_toe(limb: Limb, concept: str, level: str) -> str | None:
    """normal, reduced, absent, or abnormal (degree not stated) at the great toe; None when it was not tested."""
    if concept not in limb.toe:
        limb.toe[concept] = _at(limb, concept, level, _AT_TOE)
    return limb.toe[concept]


def at_finger(limb: Limb, concept: str, level: str) -> str | None:
    """The same at the index finger."""
    return _at(limb, concept, level, _AT_FINGER)


def _at(limb: Limb, concept: str, level: str, sites: tuple[str, ...]) -> str | None:
    by_site = limb.sites.get(concept)
    if by_site is not None:
        for site in sites:
            finding = by_site.get(site)
            if finding is not None:
                return str(finding.value)
    recorded: Finding | None = limb.findings.get(level)
    if recorded is not None:
        return "normal" if recorded.value == "none" else "abnormal"
    return None
