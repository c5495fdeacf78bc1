"""Three-valued truth, exact ranges, and the promise that an answer is never surer than its data.

Truth tables: Kleene's strong three-valued logic (S. C. Kleene, Introduction to Metamathematics, 1952, section 64). Ranges are compared
with brute force over every completion of the unknown factors. Guideline tables are written out here as plain conditions, from the rule
book, and not taken from the product; each names its published source.
"""

from collections.abc import Callable, Mapping
from itertools import chain, combinations, product
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from sural.evidence import formula, truth
from sural.evidence.citation import Citation, Mark
from sural.evidence.criterion import Criterion, Fact, Ground, doubt
from sural.evidence.formula import ALWAYS, NEVER, Formula
from sural.evidence.ladder import Ladder, Reach
from sural.evidence.span import between, exactly, total
from sural.evidence.truth import NO, UNKNOWN, YES, Truth
from sural.footrisk.scheme import Scheme
from sural.footrisk.schemes import SCHEMES
from tests.asking import summary_of
from tests.builders import FEET, Exam, Json

RANDOM = settings(max_examples=200, deadline=None, suppress_health_check=list(HealthCheck))
LETTERS = {"Y": YES, "U": UNKNOWN, "N": NO}


def _row(words: str) -> list[tuple[str, Truth]]:
    """Rows such as "YU=Y": the operands and the result by their letters."""
    return [(left, LETTERS[right]) for left, _, right in (word.partition("=") for word in words.split())]


# ---------------------------------------------------------------------------------------------------------------------------------
# truth tables

OR = "NN=N NU=U NY=Y UN=U UU=U UY=Y YN=Y YU=Y YY=Y"
AND = "NN=N NU=N NY=N UN=N UU=U UY=U YN=N YU=U YY=Y"
TWO_OF_THREE = (
    "NNN=N NNU=N NNY=N NUN=N NUU=U NUY=U NYN=N NYU=U NYY=Y UNN=N UNU=U UNY=U UUN=U UUU=U UUY=U UYN=U UYU=U UYY=Y "
    "YNN=N YNU=U YNY=Y YUN=U YUU=U YUY=Y YYN=Y YYU=Y YYY=Y"
)


@pytest.mark.parametrize(("operands", "expected"), _row(OR))
def test_any_of(operands: str, expected: Truth) -> None:
    """Kleene's or: one yes is enough, unknown is not no."""
    assert expected is truth.any_of(LETTERS[one] for one in operands)


@pytest.mark.parametrize(("operands", "expected"), _row(AND))
def test_all_of(operands: str, expected: Truth) -> None:
    """Kleene's and: one no is enough, unknown is not yes."""
    assert expected is truth.all_of(LETTERS[one] for one in operands)


@pytest.mark.parametrize(("operands", "expected"), _row(TWO_OF_THREE))
def test_at_least_two_of_three(operands: str, expected: Truth) -> None:
    """The second largest: yes when two are, no when two are not."""
    assert expected is truth.at_least(2, [LETTERS[one] for one in operands])


@pytest.mark.parametrize(("operand", "expected"), _row("N=Y U=U Y=N"))
def test_absent(operand: str, expected: Truth) -> None:
    """Not unknown is unknown."""
    assert expected is truth.absent(LETTERS[operand])


@pytest.mark.parametrize(
    ("found", "expected"),
    [
        (truth.any_of([]), NO), (truth.all_of([]), YES), (truth.at_least(0, []), YES), (truth.at_least(0, [NO]), YES), (truth.at_least(1, []), NO),
        (truth.at_least(3, [YES, YES]), NO), (truth.at_least(-1, [NO]), YES),
    ],
)  # fmt: skip
def test_of_nothing(found: Truth, expected: Truth) -> None:
    """Any of nothing is no, all of nothing is yes, none or more are always there."""
    assert expected is found


@pytest.mark.parametrize(("one", "words"), [(NO, "no"), (UNKNOWN, "unknown"), (YES, "yes")])
def test_a_truth_says_its_name(one: Truth, words: str) -> None:
    """As in the summary."""
    assert words == str(one)


@given(st.lists(st.sampled_from(Truth), max_size=7), st.integers(-1, 8))
def test_at_least_equals_all_completions(truths: list[Truth], count: int) -> None:
    """The bounds over every completion of the unknown operands; any and all are its special cases."""
    options = [(NO, YES) if one is UNKNOWN else (one,) for one in truths]
    outcomes = {sum(one is YES for one in completion) >= count for completion in product(*options)}
    expected = UNKNOWN if len(outcomes) == 2 else YES if outcomes == {True} else NO

    assert expected is truth.at_least(count, truths)


@given(st.lists(st.sampled_from(Truth), max_size=6))
def test_de_morgan(truths: list[Truth]) -> None:
    """Not any = all not."""
    assert truth.absent(truth.any_of(truths)) is truth.all_of(truth.absent(one) for one in truths)


# ---------------------------------------------------------------------------------------------------------------------------------
# facts and doubts

NOWHERE = Citation("", "", Mark.PROJECT)


def _ground(name: str, reads: str) -> Ground[Any]:
    return Ground(name, name, NOWHERE, frozenset({reads}), lambda view: (reads,) if reads in view.met else ())


class Seen:
    """A view for criteria: which concepts were recorded, and which of them meet their ground."""

    def __init__(self, codes: str, met: str) -> None:
        self.codes = frozenset(codes)
        self.met = frozenset(met)


CRITERION: Criterion[Any] = Criterion("x", "X", (_ground("for-a", "a"), _ground("for-b", "b")), (_ground("against-c", "c"),))


@pytest.mark.parametrize(
    ("codes", "met", "expected"),
    [("", "", UNKNOWN), ("a", "", UNKNOWN), ("a", "a", YES), ("ab", "b", YES), ("c", "c", NO), ("c", "", UNKNOWN), ("ac", "ac", YES), ("ac", "c", NO), ("d", "d", UNKNOWN)],
)  # fmt: skip
def test_a_factor_is_decided_by_its_grounds(codes: str, met: str, expected: Truth) -> None:
    """Present by one ground for it, absent by one against it and none for it, else unknown: never absent for want of a reason."""
    assert expected is CRITERION.judge(Seen(codes, met)).truth


def test_a_fact_names_every_ground_that_holds() -> None:
    """Every conclusion can be taken apart."""
    fact = CRITERION.judge(Seen("ab", "ab"))

    assert ["for-a", "for-b"] == [held.ground.id for held in fact.held]


@pytest.mark.parametrize(("before", "after"), [(YES, YES), (UNKNOWN, UNKNOWN), (NO, UNKNOWN)])
def test_a_doubt_turns_no_into_unknown_only(before: Truth, after: Truth) -> None:
    """It is no evidence, but it cannot be ruled out."""
    assert after is doubt(Fact("x", before)).truth
    assert (before is NO) == doubt(Fact("x", before)).doubted


def test_spans_add_up_at_both_ends() -> None:
    """Missing items widen a score; together the ends are exact."""
    summed = total((exactly(2), between(0, 1), between(0, 2)))

    assert (2, 5, None) == (int(summed.low), int(summed.high), summed.exact)
    assert 3 == total((exactly(1), exactly(2))).exact


# ---------------------------------------------------------------------------------------------------------------------------------
# formulas

NAMES = "abcde"
_FORMULAS = st.recursive(
    st.sampled_from(NAMES).map(lambda name: ("is", name)),
    lambda inner: st.tuples(st.sampled_from(["any", "all", "two"]), st.lists(inner, min_size=1, max_size=3)),
    max_leaves=8,
)  # fmt: skip
Shape = Any


def _built(shape: Shape) -> Formula | str:
    kind, content = shape
    if kind == "is":
        return str(content)
    operands = [_built(one) for one in content]
    return {"any": formula.any_of, "all": formula.all_of, "two": lambda *some: formula.at_least(2, *some)}[kind](*operands)


def _holds(shape: Shape, present: frozenset[str]) -> bool:
    """The same condition as plain Python."""
    kind, content = shape
    if kind == "is":
        return content in present
    met = [_holds(one, present) for one in content]
    return {"any": any(met), "all": all(met), "two": sum(met) >= 2}[kind]


def _subsets(names: str | tuple[str, ...]) -> list[frozenset[str]]:
    return [frozenset(some) for some in chain.from_iterable(combinations(names, size) for size in range(len(names) + 1))]


@given(_FORMULAS)
@RANDOM
def test_a_formula_holds_when_its_condition_does(shape: Shape) -> None:
    """On all 32 states of five factors."""
    built = formula.any_of(_built(shape))

    assert [_holds(shape, present) for present in _subsets(NAMES)] == [built.holds(present) for present in _subsets(NAMES)]


@given(_FORMULAS)
@RANDOM
def test_the_ways_of_a_formula_are_minimal(shape: Shape) -> None:
    """No way contains another, and none can be made smaller."""
    ways = formula.any_of(_built(shape)).ways

    assert not [(one, other) for one in ways for other in ways if one < other]
    assert not [way for way in ways for name in way if _holds(shape, way - {name})]


def test_the_formulas_that_never_and_always_hold() -> None:
    """The ends of the scale, also when they are combined."""
    assert [False, True] == [one.holds(frozenset(NAMES)) for one in (NEVER, ALWAYS)]
    assert (ALWAYS, NEVER) == (formula.any_of("a", ALWAYS), formula.all_of("a", NEVER))
    assert (NEVER, ALWAYS) == (formula.any_of(), formula.all_of())
    assert NEVER == formula.at_least(3, "a", "b")


# ---------------------------------------------------------------------------------------------------------------------------------
# ladders against brute force


def _completions(truths: Mapping[str, Truth]) -> list[frozenset[str]]:
    unknown = tuple(name for name, one in truths.items() if one is UNKNOWN)
    present = frozenset(name for name, one in truths.items() if one is YES)
    return [present | some for some in _subsets(unknown)]


def _brute(category: Callable[[frozenset[str]], int], truths: Mapping[str, Truth]) -> tuple[int, int, set[str], list[set[str]]]:
    """Lowest and highest category over all completions, the factors that matter, and the smallest sets that settle it."""
    levels = {completion: category(completion) for completion in _completions(truths)}
    unknown = [name for name, one in truths.items() if one is UNKNOWN]
    open_ = {name for name in unknown for completion, level in levels.items() if levels[completion ^ {name}] != level}
    settling: list[set[str]] = []
    if len(set(levels.values())) > 1:
        for size in range(len(unknown) + 1):
            settling = [set(some) for some in combinations(unknown, size) if _settles(frozenset(some), levels)]
            if settling:
                break
    return min(levels.values()), max(levels.values()), open_, settling


def _settles(some: frozenset[str], levels: Mapping[frozenset[str], int]) -> bool:
    """Whether the category is certain once these are known, whatever they turn out to be."""
    found: dict[frozenset[str], set[int]] = {}
    for completion, level in levels.items():
        found.setdefault(completion & some, set()).add(level)
    return all(len(reached) == 1 for reached in found.values())


_TRUTHS = st.fixed_dictionaries({name: st.sampled_from(Truth) for name in NAMES})
_RUNGS = st.lists(_FORMULAS, min_size=1, max_size=3)


def _ladder(shapes: list[Shape]) -> tuple[Ladder, Callable[[frozenset[str]], int]]:
    ladder = Ladder([("0", ALWAYS), *((str(level), formula.any_of(_built(shape))) for level, shape in enumerate(shapes, 1))])
    return ladder, lambda present: max((level for level, shape in enumerate(shapes, 1) if _holds(shape, present)), default=0)


@given(_RUNGS, _TRUTHS)
@RANDOM
def test_the_range_of_a_ladder_is_exact(shapes: list[Shape], truths: dict[str, Truth]) -> None:
    """atLeast and atMost equal the minimum and maximum over all completions."""
    ladder, category = _ladder(shapes)
    low, high, *_ = _brute(category, truths)
    reach = ladder.reach(truths)

    assert (str(low), str(high)) == (reach.at_least, reach.at_most)
    assert (low == high, str(low) if low == high else None) == (reach.settled, reach.category)


@given(_RUNGS, _TRUTHS)
@RANDOM
def test_what_is_open_matters_and_nothing_else_does(shapes: list[Shape], truths: dict[str, Truth]) -> None:
    """`open`: the unknown factors that change the category in some completion."""
    ladder, category = _ladder(shapes)

    assert _brute(category, truths)[2] == set(ladder.reach(truths).open)


@given(_RUNGS, _TRUTHS)
@RANDOM
def test_what_would_settle_settles_and_nothing_smaller_does(shapes: list[Shape], truths: dict[str, Truth]) -> None:
    """`wouldSettle`: the smallest sets that settle it whatever they turn out to be, all of them."""
    ladder, category = _ladder(shapes)

    assert _brute(category, truths)[3] == [set(some) for some in ladder.reach(truths).would_settle]


@given(_RUNGS, _TRUTHS)
@RANDOM
def test_the_reasons_of_a_floor_hold_and_carry_it(shapes: list[Shape], truths: dict[str, Truth]) -> None:
    """`because`: factors that are yes, and that alone reach the floor."""
    ladder, category = _ladder(shapes)
    reach = ladder.reach(truths)

    assert {truths[name] for name in reach.because} <= {YES}
    assert reach.at_least == str(category(frozenset(reach.because)))


@given(_RUNGS, _TRUTHS, st.sampled_from(NAMES))
@RANDOM
def test_knowing_less_never_narrows_a_range(shapes: list[Shape], truths: dict[str, Truth], name: str) -> None:
    """Known to unknown: atLeast does not rise, atMost does not fall."""
    ladder, _ = _ladder(shapes)
    before, after = ladder.reach(truths), ladder.reach(truths | {name: UNKNOWN})

    assert int(after.at_least) <= int(before.at_least) <= int(before.at_most) <= int(after.at_most)


def test_a_factor_that_is_not_given_is_unknown() -> None:
    """Not recorded is never no."""
    ladder = Ladder([("low", ALWAYS), ("high", formula.any_of("a"))])

    assert Reach("low", "high", (), ("a",)) == ladder.reach({})


def test_a_ladder_needs_a_lowest_rung_that_always_holds() -> None:
    """Every person has a category."""
    with pytest.raises(ValueError, match="mildest"):
        Ladder([("low", formula.any_of("a"))])
    with pytest.raises(ValueError, match="mildest"):
        Ladder([])


# ---------------------------------------------------------------------------------------------------------------------------------
# the schemes, written out as plain conditions


def nice(has: frozenset[str]) -> str:
    """NICE NG19 1.3.6, edition of October 2019 (moderate and high seen in restatements of 2015; words of `active` from memory).

    A deformity left by a Charcot foot is high (NG19 1.7, from memory).
    """
    nerve, artery = "protective-sensation-lost" in has, "arterial-disease" in has
    if has & {"foot-ulcer", "foot-infection", "limb-threatening-ischaemia", "gangrene", "charcot-suspected", "hot-swollen-foot"}:
        return "active"
    if (
        has & {"previous-foot-ulcer", "amputation", "renal-replacement"}
        or (nerve and artery)
        or ((nerve or artery) and has & {"callus", "foot-deformity"})
        or {"charcot-history", "foot-deformity"} <= has
    ):
        return "high"
    return "moderate" if nerve or artery or "foot-deformity" in has else "low"


def iwgdf(has: frozenset[str]) -> str:
    """IWGDF risk table, 2019 and 2023 alike (table seen: World J Diabetes 2022;13:27, Table 1; guideline record of 2023)."""
    nerve, artery, deformity = "protective-sensation-lost" in has, "arterial-disease" in has, "foot-deformity" in has
    if not (nerve or artery):
        return "0"
    if has & {"previous-foot-ulcer", "amputation", "end-stage-renal-disease"}:
        return "3"
    return "2" if (nerve and artery) or deformity else "1"


def scotland(has: frozenset[str]) -> str:
    """Scottish Diabetes Foot Action Group chart, 2016 (low page seen; moderate one factor, high more than one; remission; active)."""
    if has & {"foot-ulcer", "foot-infection", "gangrene", "hot-swollen-foot", "charcot-suspected"}:
        return "active"
    if has & {"previous-foot-ulcer", "amputation", "charcot-history"}:
        return "in-remission"
    factors = {
        "protective-sensation-lost",
        "arterial-disease",
        "significant-callus",
        "significant-deformity",
        "cannot-self-care",
        "low-filtration",
    }
    return ("low", "moderate", "high")[min(2, len(has & factors))]


PUBLISHED: dict[str, Callable[[frozenset[str]], str]] = {"nice-ng19-2019": nice, "iwgdf-2023": iwgdf, "scotland-2016": scotland}
SCHEME_IDS = pytest.mark.parametrize("id", SCHEMES)


def _level(scheme: Scheme, code: str) -> int:
    return list(scheme.categories).index(code)


def test_every_scheme_is_written_out_here() -> None:
    """A new scheme needs its table."""
    assert SCHEMES.keys() == PUBLISHED.keys()


@SCHEME_IDS
def test_every_complete_state_has_the_published_category(id: str) -> None:
    """All states of all factors, up to sixteen thousand."""
    scheme, published = SCHEMES[id], PUBLISHED[id]

    assert [] == [sorted(has) for has in _subsets(scheme.factors) if scheme.ladder.category(has) != published(has)]


@SCHEME_IDS
def test_one_more_bad_finding_never_lowers_a_category(id: str) -> None:
    """Every state, every factor turned to yes."""
    scheme, published = SCHEMES[id], PUBLISHED[id]
    levels = {has: _level(scheme, published(has)) for has in _subsets(scheme.factors)}

    assert [] == [
        (sorted(has), factor) for has, level in levels.items() for factor in scheme.factors if levels[has | {factor}] < level
    ]
    assert [] == [sorted(has) for has, level in levels.items() if level != _level(scheme, scheme.ladder.category(has))]


def _some_truths(factors: tuple[str, ...], most: int) -> st.SearchStrategy[dict[str, Truth]]:
    """States with at most so many unknown factors: brute force doubles with each."""
    return st.fixed_dictionaries({name: st.sampled_from([NO, NO, YES, UNKNOWN, UNKNOWN]) for name in factors}).filter(
        lambda truths: sum(one is UNKNOWN for one in truths.values()) <= most
    )


@pytest.mark.parametrize("id", SCHEMES)
@given(data=st.data())
@RANDOM
def test_the_range_of_a_scheme_is_exact(id: str, data: st.DataObject) -> None:
    """Range, open factors and settling sets by brute force over the published table."""
    scheme, published = SCHEMES[id], PUBLISHED[id]
    truths = data.draw(_some_truths(scheme.factors, 7))
    low, high, open_, settling = _brute(lambda has: _level(scheme, published(has)), truths)
    reach = scheme.reach(truths)

    assert (low, high) == (_level(scheme, reach.at_least), _level(scheme, reach.at_most))
    assert open_ == set(reach.open)
    assert settling == [set(some) for some in reach.would_settle]


@pytest.mark.parametrize("id", SCHEMES)
@given(data=st.data())
@RANDOM
def test_a_scheme_is_never_surer_for_knowing_less(id: str, data: st.DataObject) -> None:
    """Any known factors made unknown."""
    scheme = SCHEMES[id]
    truths = data.draw(st.fixed_dictionaries({name: st.sampled_from(Truth) for name in scheme.factors}))
    forgotten = data.draw(st.sets(st.sampled_from(scheme.factors)))
    before, after = scheme.reach(truths), scheme.reach(truths | dict.fromkeys(forgotten, UNKNOWN))

    assert _level(scheme, after.at_least) <= _level(scheme, before.at_least)
    assert _level(scheme, after.at_most) >= _level(scheme, before.at_most)


# ---------------------------------------------------------------------------------------------------------------------------------
# the published tables, through FHIR

NPDC = {
    "0000": "low", "0001": "low", "0010": "moderate", "0011": "moderate", "0100": "moderate", "0101": "high", "0110": "high", "0111": "high",
    "1000": "moderate", "1001": "high", "1010": "high", "1011": "high", "1100": "high", "1101": "high", "1110": "high", "1111": "high",
}  # fmt: skip


def _basic(
    neuropathy: bool, artery: bool, deformity: bool, callus: bool, sides: tuple[str, str, str, str] = ("left",) * 4
) -> Exam:
    """A whole examination with the four basic signs, each on a side; everything else recorded absent."""
    exam = Exam().nothing_active().no_history().kidneys_well().see("cannot-self-care", "absent")
    for side in FEET:
        (exam.not_felt if neuropathy and sides[0] == side else exam.felt)(side)
        absent = artery and sides[1] == side
        exam.pulses(side, *(("absent", "absent") if absent else ("present", "present")))
        exam.see("foot-deformity", "present" if deformity and sides[2] == side else "absent", side)
        exam.see("callus", "present" if callus and sides[3] == side else "absent", side)
    return exam


@pytest.mark.parametrize("signs", NPDC)
@pytest.mark.parametrize("sides", [("left",) * 4, ("left", "right", "right", "left")], ids=["one foot", "both feet"])
def test_the_sixteen_rows_of_nice(signs: str, sides: tuple[str, str, str, str]) -> None:
    """NICE NG19 1.3.6, truth table of neuropathy, arterial disease, deformity and callus (rule book 1.4; restatements of NG19 seen).

    Factors on different feet combine: the category is the person's (Leese et al. 2006 combines the feet).
    """
    risk = summary_of(_basic(*(one == "1" for one in signs), sides=sides))["footRisk"]["nice-ng19-2019"]  # type: ignore[arg-type]

    assert (NPDC[signs], NPDC[signs]) == (risk["atLeast"], risk["atMost"])
    assert ([], []) == (risk["open"], risk["wouldSettle"])


IWGDF_ROWS = [
    (neuropathy, artery, deformity, history)
    for neuropathy in (False, True)
    for artery in (False, True)
    for deformity in (False, True)
    for history in (None, "previous-foot-ulcer", "amputation", "end-stage-renal-disease")
]


@pytest.mark.parametrize(("neuropathy", "artery", "deformity", "history"), IWGDF_ROWS)
def test_the_table_of_iwgdf(neuropathy: bool, artery: bool, deformity: bool, history: str | None) -> None:
    """IWGDF 2023 (as 2019): 0 neither; 1 loss or arterial disease; 2 two of loss, arterial disease, deformity; 3 with ulcer, amputation or
    end-stage renal disease. Deformity alone, and history alone, are 0 (World J Diabetes 2022;13:27, Table 1)."""
    exam = _basic(neuropathy, artery, deformity, False)
    if history == "end-stage-renal-disease":
        exam.see(history, "present")
    elif history:
        exam.see(history, "present" if history == "previous-foot-ulcer" else "toe", "left")
    has = {
        name
        for name, there in (
            ("protective-sensation-lost", neuropathy),
            ("arterial-disease", artery),
            ("foot-deformity", deformity),
        )
        if there
    }
    risk = summary_of(exam)["footRisk"]["iwgdf-2023"]

    assert iwgdf(frozenset(has | ({history} if history else set()))) == risk["category"]


PODUS = {0: (2.4, 1.5, 3.9), 1: (6.0, 3.5, 9.5), 2: (14.0, 8.5, 21.3), 3: (29.2, 19.2, 41.0), 4: (51.1, 37.9, 64.1)}


@pytest.mark.parametrize("monofilament", [0, 1])
@pytest.mark.parametrize("pulse", [0, 1])
@pytest.mark.parametrize("history", [None, "ulcer", "amputation", "both"])
def test_the_table_of_podus(monofilament: int, pulse: int, history: str | None) -> None:
    """Chappell et al., BMJ Open Diabetes Res Care 2021;9:e002150: risk of a new ulcer in two years by score, with 95 % interval.

    Insensate monofilament 1, any absent pulse 1, earlier ulcer or amputation 2 (the split is derived, see the rule book 4.1).
    """
    exam = Exam().nothing_active().kidneys_well().felt("right").pulses("right")
    (exam.not_felt if monofilament else exam.felt)("left")
    exam.pulses("left", "absent" if pulse else "present")
    exam.see("charcot-history", "absent", "both").see("previous-foot-ulcer", "absent", "right").see("amputation", "none", "right")
    exam.see("previous-foot-ulcer", "present" if history in ("ulcer", "both") else "absent", "left")
    exam.see("amputation", "toe" if history in ("amputation", "both") else "none", "left")
    score = monofilament + pulse + (2 if history else 0)
    prognosis = summary_of(exam)["prognosis"]["podus-2021"]

    assert (score, PODUS[score][0], [PODUS[score][1], PODUS[score][2]]) == (
        prognosis["score"],
        prognosis["percent"],
        prognosis["interval"],
    )


@pytest.mark.parametrize(
    ("left_out", "low", "high"), [("monofilament", 0, 1), ("pulses", 0, 1), ("history", 0, 2), ("all", 0, 4)]
)
def test_podus_is_a_range_while_something_is_missing(left_out: str, low: int, high: int) -> None:
    """Score and percent null, both ends given (contract, "Prognosis incomplete")."""
    exam = Exam().nothing_active()
    if left_out not in ("monofilament", "all"):
        exam.felt("both")
    if left_out not in ("pulses", "all"):
        exam.pulses("both")
    if left_out not in ("history", "all"):
        exam.no_history()
    found = summary_of(exam)["prognosis"]["podus-2021"]

    assert (None, None, low, high) == (found["score"], found["percent"], found["scoreAtLeast"], found["scoreAtMost"])
    assert (PODUS[low][0], PODUS[high][0]) == (found["percentAtLeast"], found["percentAtMost"])


# ---------------------------------------------------------------------------------------------------------------------------------
# the promise, through FHIR

ADVERSE = (
    ("callus", "present", None), ("foot-deformity", "present", None), ("foot-ulcer", "present", None), ("foot-ulcer", "present", "hallux"),
    ("gangrene", "present", None), ("foot-infection", "present", None), ("hot-swollen-foot", "present", None), ("charcot-suspected", "present", None),
    ("limb-threatening-ischaemia", "present", None), ("previous-foot-ulcer", "present", None), ("amputation", "toe", None),
    ("charcot-history", "present", None), ("monofilament-10g", "not-felt", "toe-2"), ("monofilament-foot", "absent", None),
    ("toe-touch", 0, None), ("dorsalis-pedis-pulse", "absent", None), ("posterior-tibial-pulse", "reduced", None), ("toe-pressure", 20, None),
    ("ankle-brachial-index", 0.5, None), ("ankle-brachial-index", 1.5, None), ("vibration-128hz", "absent", "hallux"), ("light-touch", "reduced", "hallux"),
    ("foot-inspection", "not-clear", None), ("significant-callus", "present", None), ("osteomyelitis", "suspected", None), ("ulcer-depth", "skin", "hallux"),
)  # fmt: skip
REASSURING = (
    ("toe-touch", 3, None), ("ankle-brachial-index", 1.0, None), ("toe-brachial-index", 0.9, None), ("pedal-waveform", "triphasic", None),
    ("foot-ulcer", "absent", None), ("gangrene", "absent", None), ("hot-swollen-foot", "absent", None), ("rest-pain", "absent", None),
    ("charcot-suspected", "absent", None), ("monofilament-foot", "normal", None), ("peripheral-arterial-disease", "absent", None),
    ("monofilament-10g", "felt", "toe-3"), ("light-touch", "normal", "hallux"), ("toe-pressure", 90, None),
)  # fmt: skip


@st.composite
def _examinations(draw: st.DrawFn) -> tuple[list[Json], list[Json]]:
    """Adverse and reassuring entries of one day, apart; the normal examination is among the reassuring ones."""
    exam = Exam().normal() if draw(st.booleans()) else Exam()
    base, rest = exam.entries[:2], exam.entries[2:]
    good, bad = Exam(), Exam()
    for code, value, site in draw(st.lists(st.sampled_from(REASSURING), max_size=4)):
        good.see(code, value, draw(st.sampled_from(FEET)), site)
    for code, value, site in draw(st.lists(st.sampled_from(ADVERSE), max_size=3)):
        bad.see(code, value, draw(st.sampled_from(FEET)), site)
    entries = [*base, *bad.entries[2:]], [*rest, *good.entries[2:]]
    for number, one in enumerate(entries[0][2:] + entries[1]):
        one["resource"]["id"] = f"n{number}"
    return entries


def _ranges(entries: list[Json]) -> dict[str, tuple[str, str]]:
    risk = summary_of({"resourceType": "Bundle", "type": "collection", "entry": entries})["footRisk"]
    return {id: (one["atLeast"], one["atMost"]) for id, one in risk.items()}


@given(_examinations(), st.data())
@settings(max_examples=400, deadline=None, suppress_health_check=list(HealthCheck))
def test_not_recording_a_reassuring_finding_never_lowers_the_risk_that_is_possible(
    entries: tuple[list[Json], list[Json]], data: st.DataObject
) -> None:
    """Leave out any reassuring Observations of an examination: no scheme's atMost falls, for the person."""
    bad, good = entries
    kept = data.draw(st.lists(st.sampled_from(good), unique_by=lambda one: one["resource"]["id"])) if good else []
    before, after = _ranges([*bad, *good]), _ranges([*bad, *kept])

    assert [] == [id for id, scheme in SCHEMES.items() if _height(scheme, after[id][1]) < _height(scheme, before[id][1])]


def _height(scheme: Scheme, code: str) -> int:
    """The level of a category; a foot that is not stratified because it has an ulcer stands above all."""
    return len(scheme.categories) if code == "not-stratified" else _level(scheme, code)


@given(_examinations(), st.sampled_from(ADVERSE), st.sampled_from(FEET))
@settings(max_examples=300, deadline=None, suppress_health_check=list(HealthCheck))
def test_one_more_adverse_finding_never_lowers_the_risk_that_is_certain(
    entries: tuple[list[Json], list[Json]], more: tuple[str, Any, str | None], side: str
) -> None:
    """Add an adverse Observation of the same day: no scheme's atLeast falls (an ulcer takes the person out of IWGDF, which is no lower)."""
    code, value, site = more
    added = Exam().see(code, value, side, site, id="one-more").entries[2:]
    before, after = _ranges([*entries[0], *entries[1]]), _ranges([*entries[0], *entries[1], *added])

    assert [] == [id for id, scheme in SCHEMES.items() if _height(scheme, after[id][0]) < _height(scheme, before[id][0])]
