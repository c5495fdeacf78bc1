"""What changed since the earlier examinations of the same input: reach by modality and side, scores, protective sensation.

A change is only named when it is certain: the ranges of the two examinations do not overlap. What was not examined both times is not
compared; each value is compared with the latest earlier examination that has it (project choice).
"""

from collections.abc import Iterator
from datetime import date

from msgspec import Struct

from sural.evidence.truth import NO, UNKNOWN, YES, Truth
from sural.exam.examination import Examination
from sural.footrisk.factors import Factors, judge
from sural.neuropathy.reach import LEG_LEVELS, Extent
from sural.neuropathy.scores import Score, score
from sural.neuropathy.scores.score import number
from sural.neuropathy.signs import Signs
from sural.terminology.site import SIDES

_SENSATION = "protective-sensation-lost"
_SENSATION_WORDS = {NO: "kept", YES: "lost"}


class Point(Struct, frozen=True):
    """One examination as a point in time: its day, reach by modality and side, scores, protective sensation by side."""

    day: date
    signs: Signs
    scores: dict[str, Score]
    sensation: dict[str, Truth]


class Change(Struct, frozen=True):
    """One certain change: the code, of what (a modality, a score, protective sensation), on which side, since when, from what to what."""

    code: str
    of: str
    side: str | None
    since: date
    before: str
    after: str


class Trend(Struct, frozen=True):
    """The earlier examinations, oldest first, and what has changed since."""

    earlier: tuple[Point, ...] = ()
    changes: tuple[Change, ...] = ()


NO_TREND = Trend()


def trend(exam: Examination, factors: Factors, signs: Signs, scores: tuple[Score, ...]) -> Trend:
    """Compare an examination, as it was judged, with the earlier ones that came with it."""
    if not exam.earlier:
        return NO_TREND
    now = _point(exam, factors, signs, scores)
    earlier = tuple(_point(one, judge(one), Signs(one), score(one)) for one in exam.earlier)
    return Trend(earlier, (*_reaches(now, earlier), *_scores(now, earlier), *_sensation(now, earlier)))


def _point(exam: Examination, factors: Factors, signs: Signs, scores: tuple[Score, ...]) -> Point:
    sensation: dict[str, Truth] = {}
    for side in SIDES:
        fact = factors.side(side).get(_SENSATION)
        sensation[side] = fact.truth if fact else UNKNOWN
    return Point(exam.as_of, signs, {one.id: one for one in scores}, sensation)


def _reaches(now: Point, earlier: tuple[Point, ...]) -> Iterator[Change]:
    for side in SIDES:
        for name, extent in now.signs.legs[side].items():
            before = next((point for point in reversed(earlier) if name in point.signs.legs[side]), None)
            if before is None:
                continue
            known = before.signs.legs[side][name]
            if extent.low > known.high or known.low > extent.high:
                code = "reach-rising" if extent.low > known.high else "reach-falling"
                yield Change(code, name, side, before.day, said_extent(known), said_extent(extent))


def _scores(now: Point, earlier: tuple[Point, ...]) -> Iterator[Change]:
    for id, score_now in now.scores.items():
        before = next((point for point in reversed(earlier) if id in point.scores), None)
        if before is None:
            continue
        known = before.scores[id]
        if score_now.low > known.high or known.low > score_now.high:
            code = "score-rising" if score_now.low > known.high else "score-falling"
            yield Change(code, id, None, before.day, said_score(known), said_score(score_now))


def _sensation(now: Point, earlier: tuple[Point, ...]) -> Iterator[Change]:
    for side in SIDES:
        truth = now.sensation[side]
        before = next((point for point in reversed(earlier) if point.sensation[side] is not UNKNOWN), None)
        if before is not None and truth is not UNKNOWN and truth is not before.sensation[side]:
            code = "protective-sensation-newly-lost" if truth is YES else "protective-sensation-regained"
            words = _SENSATION_WORDS
            yield Change(code, "protective-sensation", side, before.day, words[before.sensation[side]], words[truth])


def said_extent(extent: Extent) -> str:
    """A level in words, or both ends."""
    low, high = LEG_LEVELS[extent.low], LEG_LEVELS[extent.high]
    return low if low == high else f"{low} to {high}"


def said_score(one: Score) -> str:
    """A total, or both ends."""
    return f"{number(one.low)}" if one.low == one.high else f"{number(one.low)} to {number(one.high)}"
