"""The picture of both legs: what it shows, how it tells states apart, and that it says no more than it may.

Checked against the design ("a finding is present, absent or unknown; unknown is never read as normal"; an amputated side is not
applicable, never normal). The examinations are invented, of people of the Skerrow Islands who do not exist.
"""

import itertools
import re
from collections import Counter
from xml.etree import ElementTree

import orjson
import pytest

from sural.answer.drawing import marks as alphabet
from sural.answer.drawing.lanes import ARM_RANKS, LEG_RANKS
from sural.answer.drawing.view import view
from sural.answer.picture import picture, picture_in_words
from sural.neuropathy.reach import ARM_LEVELS, LEG_LEVELS
from sural.terminology.dictionary import sites
from tests.builders import AS_OF, Exam, Json, answer, own
from tests.drawn import (
    MODALITIES,
    OTHER,
    SVG,
    Text,
    areas,
    assessment_of,
    drawing_of,
    levels,
    marks,
    mirrored,
    part,
    probed,
    reaching,
    texts,
    touched,
)

WORDS = {
    "light-touch": "Light touch",
    "pinprick": "Pinprick",
    "temperature": "Temperature",
    "vibration": "Vibration",
    "joint-position": "Joint position",
}


def normal() -> Exam:
    exam = Exam().normal()
    for modality in MODALITIES:
        probed(exam, modality, "normal")
    return (
        exam.see("ankle-reflex", "normal", "both").see("knee-reflex", "normal", "both").see("plantar-response", "flexor", "both")
    )


def stocking(level: str) -> Exam:
    exam = reaching(Exam().not_felt("both"), level)
    return exam.see("ankle-reflex", "absent", "both").see("knee-reflex", "reduced", "both").see("callus", "present", "both")


def one_sided() -> Exam:
    exam = reaching(Exam().not_felt("right").felt("left"), "mid-shin", "right")
    for modality in MODALITIES:
        probed(exam, modality, "normal", "left")
    return exam.see("ankle-reflex", "absent", "right").see("ankle-reflex", "brisk", "left")


def amputated(level: str = "below-knee") -> Exam:
    exam = reaching(Exam().not_felt("left"), "ankle", "left").see("amputation", level, "right")
    return exam.see("previous-foot-ulcer", "present", "left").see("knee-reflex", "normal", "both")


def ranges() -> Exam:
    exam = Exam().see("toe-touch", 1, "left").see("monofilament-foot", "reduced", "right").see("vibration-threshold", 20, "left")
    probed(probed(exam, "light-touch", "absent"), "light-touch", "reduced", site="ankle")
    probed(probed(exam, "pinprick", "absent"), "pinprick", "normal", site="thigh")
    probed(probed(exam, "joint-position", "normal", "left"), "joint-position", "absent", "left", "knee")
    return probed(exam, "temperature", "normal", site="ankle")


def contradictory() -> Exam:
    exam = reaching(reaching(Exam(), "ankle", "left", "pinprick"), "knee", "left", "pinprick")
    touched(touched(exam, "left", hallux="felt"), "left", hallux="not-felt", metatarsal_head_1="felt")
    probed(probed(exam, "vibration", "normal", "right"), "vibration", "absent", "right")
    reaching(probed(exam, "light-touch", "normal", "right"), "knee", "right", "light-touch")
    exam.see("ankle-reflex", "absent", "left").see("ankle-reflex", "normal", "left")
    exam.see("callus", "absent", "right").see("callus", "present", "right")
    return exam.see("dorsalis-pedis-pulse", "absent", "left").see("dorsalis-pedis-pulse", "present", "left")


def hands() -> Exam:
    exam = stocking("knee").see("hand-sensory-level-light-touch", "fingers", "both")
    exam.see("hand-sensory-level-pinprick", "wrist", "left")
    return probed(probed(exam, "vibration", "absent", "right", "index-fingertip"), "vibration", "normal", "right", "wrist")


def wounded() -> Exam:
    exam = Exam().not_felt("both").see("foot-ulcer", "present", "right", "metatarsal-head-1")
    exam.see("foot-ulcer", "present", "left", "hindfoot").see("foot-ulcer", "present", "left", "dorsum")
    exam.see("gangrene", "present", "right").see("foot-infection", "present", "right").see("hot-swollen-foot", "present", "left")
    exam.see("callus", "present", "both").see("amputation", "toe", "left").see("charcot-history", "present", "left")
    kind = {"component": [{"code": own("deformity-type"), "valueCodeableConcept": answer("claw-toe")}]}
    return exam.see("foot-deformity", "present", "both", **kind).see("previous-foot-ulcer", "present", "both")


def everything() -> Exam:
    """As much on one foot as an examination can hold."""
    exam = Exam()
    for modality, (site, outcome) in itertools.product(
        MODALITIES, (("hallux", "absent"), ("metatarsal-head-1", "reduced"), ("medial-malleolus", "normal"))
    ):
        probed(exam, modality, outcome, site=site)
    for site in (site for site, one in sites().items() if one.plantar and site not in ("toe-1", "toes", "forefoot")):
        exam.see("monofilament-10g", "felt", "both", site)
    exam.see("monofilament-10g", "felt", "both", "dorsum").see("foot-ulcer", "present", "both", "metatarsal-head-1")
    exam.see("sensory-level", "knee", "both").see("hand-sensory-level", "wrist", "both")
    return exam.see("callus", "present", "both").see("knee-reflex", "clonus", "both").see("allodynia", "present", "both")


CASES = {
    "normal": normal,
    "to-the-ankle": lambda: stocking("ankle"),
    "to-the-knee": lambda: stocking("knee"),
    "to-the-thigh": lambda: stocking("thigh"),
    "to-the-trunk": lambda: stocking("trunk"),
    "one-sided": one_sided,
    "amputated-below-the-knee": amputated,
    "amputated-above-the-knee": lambda: amputated("above-knee"),
    "forefoot-amputated": lambda: stocking("ankle").see("amputation", "forefoot", "left"),
    "nothing-examined": Exam,
    "contradictory": contradictory,
    "hands": hands,
    "ulcers": wounded,
    "ranges": ranges,
    "child": lambda: Exam(birth="2015-05-01", diabetes="type-1").see("ankle-reflex", "normal", "left"),
    "everything": everything,
}
EACH_CASE = pytest.mark.parametrize("build", CASES.values(), ids=CASES)


# a picture for a record


@EACH_CASE
def test_the_picture_is_an_accessible_image(build: type[Exam]) -> None:
    """Well-formed SVG with the role of an image, a title, and a description that is the text alternative."""
    exam = build()
    drawing = drawing_of(exam)
    title, description = drawing[0], drawing[1]

    assert (f"{SVG}svg", "img") == (drawing.tag, drawing.get("role"))
    assert (f"{SVG}title", f"Findings in both legs and feet, as of {AS_OF}") == (title.tag, title.text)
    assert (f"{SVG}desc", picture_in_words(assessment_of(exam))) == (description.tag, description.text)


@EACH_CASE
def test_the_picture_stands_alone(build: type[Exam]) -> None:
    """No script, style sheet, image or reference to anything outside; its patterns are its own."""
    drawn = picture(assessment_of(build()))
    drawing = ElementTree.fromstring(drawn)
    allowed = {"svg", "title", "desc", "defs", "pattern", "g", "text", "line", "path", "polygon", "circle", "rect"}

    assert {f"{SVG}{name}" for name in allowed} >= {one.tag for one in drawing.iter()}
    assert ["http://www.w3.org/2000/svg"] == re.findall(r"https?:[^\"' <]+", drawn)
    assert set(re.findall(r"url\(#([^)]+)\)", drawn)) <= {str(one.get("id")) for one in drawing.iter(f"{SVG}pattern")}
    assert re.findall(r"url\((?!#)|href|@import|data:", drawn) == []


@EACH_CASE
def test_the_same_examination_gives_the_same_bytes(build: type[Exam]) -> None:
    """No clock, no chance, and no trace of the order of the input."""
    bundle = build().bundle()
    other_way = {**bundle, "entry": bundle["entry"][::-1]}

    assert picture(assessment_of(bundle)) == picture(assessment_of(bundle)) == picture(assessment_of(other_way))


@EACH_CASE
def test_the_picture_identifies_nobody(build: type[Exam]) -> None:
    """Neither name, birth date, identifier nor reference of the person or of an input resource."""
    bundle = build().bundle()
    patient = bundle["entry"][0]["resource"]
    patient |= {"name": [{"family": "Thornquist", "given": ["Isolde"]}], "id": "secret-4711", "gender": "female"}
    patient["identifier"] = [{"system": "urn:example:skerrow", "value": "SK-90210"}]
    text = orjson.dumps(bundle).decode().replace("Patient/p1", "Patient/secret-4711")
    drawn = picture(assessment_of(orjson.loads(text)))
    secrets = ("Thornquist", "Isolde", "secret-4711", "SK-90210", "skerrow", patient["birthDate"], "Observation/", "female")

    assert [] == [secret for secret in secrets if secret in drawn]


def test_the_sides_are_named_in_words() -> None:
    """Right and left as one looks at the person: the right leg and sole stand on the left of the picture, and it says so."""
    drawing = drawing_of(normal())
    told = [one.words for one in texts(drawing)]
    right, left = (next(one.box[0] for one in texts(drawing) if one.words == f"{side} leg") for side in ("Right", "Left"))

    assert {"Right leg", "Left leg", "Right sole", "Left sole"} <= set(told)
    assert right < left
    assert any("the right side is on your left" in words for words in told)
    assert {True} == {mark.x < 300 for mark in marks(drawing) if mark.side == "right"}


def test_preliminary_findings_are_marked_in_the_title() -> None:
    """A picture of preliminary results says so."""
    exam = reaching(Exam(), "ankle").see("pinprick", "absent", "left", "hallux", status="preliminary")
    drawing = drawing_of(exam, preliminary=True)

    assert any(one.words.startswith("PRELIMINARY") for one in texts(drawing))


# legibility


@EACH_CASE
def test_no_text_is_smaller_than_eleven_pixels_at_a_width_of_600(build: type[Exam]) -> None:
    """The drawing is 600 units wide, so a unit is a pixel at that width."""
    drawing = drawing_of(build())

    assert ("600", "600") == (drawing.get("width"), str(drawing.get("viewBox")).split()[2])
    assert 11 <= min(one.size for one in texts(drawing))


@EACH_CASE
def test_no_text_runs_out_of_the_picture_or_over_another(build: type[Exam]) -> None:
    """The boxes that the texts fill at most, in a wide font, lie apart and inside."""
    drawing = drawing_of(build())
    drawn = texts(drawing)
    height = float(drawing.get("height", ""))

    assert [] == [one for one in drawn if one.box[0] < 0 or one.box[2] > 600 or one.box[1] < 0 or one.box[3] > height]
    assert [] == [(one.words, other.words) for one, other in itertools.combinations(drawn, 2) if _overlap(one, other)]


def _overlap(one: Text, other: Text) -> bool:
    a, b = one.box, other.box
    return a[0] < b[2] and b[0] < a[2] and a[1] < b[3] and b[1] < a[3]


@EACH_CASE
def test_marks_do_not_cover_each_other(build: type[Exam]) -> None:
    """Tests at different places stand apart; an ulcer lies under the test at its place, a question mark beside its mark."""
    drawn = [mark for mark in marks(drawing_of(build())) if mark.kind not in ("foot-ulcer", "contradiction")]
    close = [
        (one, other) for one, other in itertools.combinations(drawn, 2) if (one.x - other.x) ** 2 + (one.y - other.y) ** 2 < 9**2
    ]

    assert [] == close


# without colour


COLOURS = re.compile(r'\s(?:fill|stroke)="#[0-9a-f]{6}"')


def _grey(markup: str) -> str:
    return COLOURS.sub("", markup)


def test_areas_differ_without_colour() -> None:
    """Lost, not excluded, clear and not examined have each their own pattern and edge."""
    looks = {state: (fill.startswith("url") and fill, dash) for state, (fill, _, dash) in alphabet.AREAS.items()}
    looks.pop("beyond")
    patterns = re.findall(r"<pattern.*?</pattern>", _grey(alphabet.patterns()))

    assert len(looks) == len(set(looks.values()))
    assert 3 == len(patterns) == len({re.sub(r'id="[^"]*"', "", pattern) for pattern in patterns})


def test_outcomes_of_a_test_differ_without_colour() -> None:
    """Felt, reduced, not felt and not tested are different shapes."""
    drawn = {kind: _shape_of(alphabet.outcome((50, 50), kind)) for kind in ("felt", "reduced", "not-felt", "untested")}

    assert len(drawn) == len(set(drawn.values()))


def _shape_of(markup: str) -> str:
    return re.sub(r'data-\w+="[^"]*"', "", _grey(markup))


def test_what_was_seen_differs_without_colour() -> None:
    """Ulcer, earlier ulcer, gangrene, infection, callus, amputation and deformity are different shapes; only filling may be a colour."""
    kinds = ("foot-ulcer", "gangrene", "foot-infection", "callus", "amputation", "foot-deformity")
    shapes = {_shape_of(alphabet.seen((50, 50), kind)) for kind in kinds}
    full, hollow = (alphabet.seen((50, 50), kind) for kind in ("foot-ulcer", "previous-foot-ulcer"))

    assert len(kinds) == len(shapes)
    assert 'fill="#17212b"' in full and 'fill="#ffffff"' in hollow


@pytest.mark.parametrize("answer", [*alphabet.REFLEXES, None])
def test_every_reflex_has_a_sign_of_its_own(answer: str | None) -> None:
    """In words of the trade: 0, (+), plus-minus, +, ++, cl; an empty dashed box when it was not examined."""
    exam = Exam().see("ankle-reflex", answer, "left") if answer else Exam()
    box = next(
        one for one in drawing_of(exam).iter(f"{SVG}g") if one.get("data-of") == "ankle-reflex" and one.get("data-side") == "left"
    )

    assert ([alphabet.REFLEXES[answer][0]] if answer else []) == [one.text for one in box.iter(f"{SVG}text")]
    assert (answer is None) == ("stroke-dasharray" in box[0].attrib)
    assert len(alphabet.REFLEXES) == len({sign for sign, _ in alphabet.REFLEXES.values()})


# reach


@pytest.mark.parametrize("modality", MODALITIES)
@pytest.mark.parametrize("level", LEG_LEVELS[1:])
def test_a_recorded_level_is_drawn_up_to_its_height(level: str, modality: str) -> None:
    """The band of the modality ends at the line of the level, on the side it belongs to; the other side is not examined."""
    drawing = drawing_of(reaching(Exam(), level, "left", modality))
    lost = [one for one in areas(drawing) if one.state == "lost"]
    (band,) = lost
    top = levels(drawing)[level]

    assert ("left", modality) == (band.side, band.lane)
    assert band.upper == pytest.approx(top) if level != "trunk" else band.upper < top
    assert ["not-examined"] == [one.state for one in areas(drawing) if (one.side, one.lane) == ("right", modality)]


def test_a_boundary_that_was_not_shown_leaves_the_level_open() -> None:
    """Absent at the great toe and nothing above: loss at the toes, not excluded up to the trunk."""
    drawing = drawing_of(probed(Exam(), "pinprick", "absent", "left"))
    lost, open_ = (one for one in areas(drawing) if (one.side, one.lane) == ("left", "pinprick"))

    assert ("lost", "open") == (lost.state, open_.state)
    assert levels(drawing)["toes"] == pytest.approx(lost.upper) == pytest.approx(open_.lower)
    assert open_.upper < levels(drawing)["trunk"]


def test_a_boundary_between_two_places_is_open_between_them() -> None:
    """Absent at the middle of the shin, normal at the thigh: the knee may be lost, the thigh is not."""
    exam = probed(probed(Exam(), "pinprick", "absent", "left", "mid-shin"), "pinprick", "normal", "left", "thigh")
    drawing = drawing_of(exam)
    found = {one.state: one for one in areas(drawing) if (one.side, one.lane) == ("left", "pinprick")}
    at = levels(drawing)

    assert (at["mid-shin"], at["knee"]) == pytest.approx((found["open"].lower, found["open"].upper))
    assert (at["knee"], at["thigh"]) == pytest.approx((found["clear"].lower, found["clear"].upper))
    assert "beyond" in found


def test_loss_above_a_normal_place_is_not_drawn_down_to_the_toes() -> None:
    """Patchy loss: normal at the great toe and absent at the knee leaves the toes clear and what lies between open."""
    exam = probed(probed(Exam(), "pinprick", "normal", "left"), "pinprick", "absent", "left", "knee")
    drawing = drawing_of(exam)
    states = [(one.state, one.upper) for one in areas(drawing) if (one.side, one.lane) == ("left", "pinprick")]
    at = levels(drawing)

    assert [("clear", at["toes"]), ("open", at["mid-shin"]), ("lost", at["knee"])] == states[:3]


def test_the_skin_of_the_leg_shows_the_worst_modality() -> None:
    """Pinprick lost to the ankle and vibration to the knee: the leg is hatched to the knee."""
    drawing = drawing_of(reaching(reaching(Exam(), "ankle", "left", "pinprick"), "knee", "left", "vibration"))
    states = [one.get("data-state") for group in part(drawing, "limb", "left") for one in group if one.get("data-state")]

    assert ["clear", "clear", "lost", "lost", "lost", "lost", "lost"] == states


def test_the_monofilament_missed_at_the_forefoot_is_drawn_there() -> None:
    """Felt at the great toe, missed at the first metatarsal head: the forefoot is lost, the toes are not."""
    exam = touched(Exam(), "left", hallux="felt", metatarsal_head_1="not-felt", metatarsal_head_5="felt")
    found = [(one.lane, one.state) for one in areas(drawing_of(exam)) if one.side == "left" and one.lane == "monofilament"]

    assert [("monofilament", "clear"), ("monofilament", "lost"), ("monofilament", "open")] == found


def test_every_site_of_the_rules_has_its_place() -> None:
    """Sites that count for the reach are known sites, so none is silently left out of the lanes."""
    assert set() == {site for site in (*LEG_RANKS, *ARM_RANKS) if site} - set(sites())


# what was not examined


@pytest.mark.parametrize("modality", MODALITIES)
@pytest.mark.parametrize("side", OTHER)
def test_a_modality_that_was_not_examined_is_said_and_drawn_so(side: str, modality: str) -> None:
    """The words name it on its side, and its lane looks like no lane of a normal test."""
    exam = Exam()
    for one, where in itertools.product(MODALITIES, OTHER):
        if (one, where) != (modality, side):
            probed(exam, one, "normal", where)
    found = areas(drawing_of(exam))
    words = picture_in_words(assessment_of(exam))
    right, left = words.split("Left leg.")

    assert ["not-examined"] == [one.state for one in found if (one.side, one.lane) == (side, modality)]
    assert {"clear", "beyond"} == {one.state for one in found if (one.side, one.lane) != (side, modality)}
    assert [f"{WORDS[modality]}: not examined" in half for half in (right, left)] == [side == "right", side == "left"]


def test_a_site_not_tested_has_another_mark_than_a_felt_one() -> None:
    """Three sites felt: three rings; the other usual sites are dotted, and never look felt."""
    drawing = drawing_of(Exam().felt("left"))
    found = {mark.of: mark.kind for mark in marks(drawing) if mark.side == "left" and mark.of.startswith(("monofilament-10g",))}
    by_site = {
        str(group.get("data-site")): str(group.get("data-mark"))
        for sole in part(drawing, "sole", "left")
        for group in sole.iter(f"{SVG}g")
        if group.get("data-mark")
    }

    assert {"monofilament-10g"} == set(found)
    assert {"hallux", "metatarsal-head-1", "metatarsal-head-5"} == {site for site, kind in by_site.items() if kind == "felt"}
    assert {"toe-3", "toe-5", "metatarsal-head-3", "midfoot", "hindfoot"} == {s for s, k in by_site.items() if k == "untested"}


def test_a_sole_that_was_not_examined_is_not_drawn_like_a_felt_one() -> None:
    """Hatched with a dashed edge and said in words, without any ring."""
    drawing = drawing_of(Exam().felt("left"))
    states = {
        side: {str(one.get("data-state")) for sole in part(drawing, "sole", side) for one in sole if one.get("data-state")}
        for side in OTHER
    }

    assert {"left": {"clear"}, "right": {"not-examined"}} == states
    assert {"untested", "felt"} == {mark.kind for mark in marks(drawing) if mark.of == "monofilament-10g"}
    assert "10 g monofilament on the right sole: not examined." in picture_in_words(assessment_of(Exam().felt("left")))


def test_nothing_examined_shows_nothing_normal() -> None:
    """No band, no ring, no solid line, no clear area; every lane and both soles are not examined."""
    drawing = drawing_of(Exam())

    assert {"not-examined"} == {one.state for one in areas(drawing)}
    assert {"reflex-not-examined"} == {mark.kind for mark in marks(drawing)}
    assert {"not-examined"} == {
        str(one.get("data-state"))
        for name in ("limb", "sole")
        for group in part(drawing, name)
        for one in group.iter()
        if one.get("data-state")
    }


@pytest.mark.parametrize("name", [name for name in CASES if name not in ("contradictory", "nothing-examined", "child")])
def test_taking_a_finding_away_never_makes_anything_look_normal(name: str) -> None:
    """Whatever one Observation is left out: what is drawn clear or felt then was drawn clear or felt before."""
    bundle = CASES[name]().bundle()
    before = _reassuring(bundle)
    for index, entry in enumerate(bundle["entry"]):
        if entry["resource"]["resourceType"] == "Observation":
            rest = {**bundle, "entry": bundle["entry"][:index] + bundle["entry"][index + 1 :]}
            assert set() == _reassuring(rest) - before - _stands_in(before)


def _reassuring(bundle: Json) -> set[tuple[str, str, object]]:
    """Every level that is clear in a lane and every site that was felt."""
    found: set[tuple[str, str, object]] = set()
    for side in view(assessment_of(bundle)).sides:
        for lane in (*side.lanes, *side.arms):
            found |= {(side.side, lane.name, rank) for rank, state in enumerate(lane.states) if state == "clear"}
        found |= {(side.side, "10 g", site) for site, probe in side.filament.items() if probe.outcome == "felt"}
    return found


def _stands_in(before: set[tuple[str, str, object]]) -> set[tuple[str, str, object]]:
    """The monofilament stands in for touch once cotton wool is gone: its sites were felt before."""
    return {(side, "monofilament", LEG_RANKS[str(site)] - 1) for side, lane, site in before if lane == "10 g"} | {
        (side, "monofilament", rank) for side, lane, _ in before if lane == "10 g" for rank in (0, 1)
    }


# what is not there


@pytest.mark.parametrize("level", ["entire-foot", "below-knee", "above-knee"])
def test_an_amputated_side_is_absent_from_its_level_down(level: str) -> None:
    """No lane, no sole, no ring and no reflex below the stump; the words say not applicable."""
    exam = amputated(level)
    drawing = drawing_of(exam)
    stumps = {"entire-foot": "ankle", "below-knee": "mid-shin", "above-knee": "knee"}
    lowest = max(y for group in part(drawing, "limb", "right") for y in _heights(group))

    assert {"left"} == {one.side for one in areas(drawing)}
    assert {"left"} == {mark.side for mark in marks(drawing) if not mark.kind.startswith("reflex")}
    assert lowest <= levels(drawing)[stumps[level]] + 16
    assert [] == [mark for mark in marks(drawing) if mark.side == "right" and mark.y > lowest]
    assert "Right leg. No foot on this side" in picture_in_words(assessment_of(exam))
    assert {"amputated"} == {str(sole.get("data-mark")) for sole in part(drawing, "sole", "right")}


def _heights(group: ElementTree.Element) -> list[float]:
    """Every y of the outlines of a group (absolute commands with pairs of numbers)."""
    return [
        float(y)
        for one in group.iter(f"{SVG}path")
        for y in re.findall(r"[-\d.]+ ([-\d.]+)", re.sub(r"A[^A-Z]*", "", str(one.get("d"))))
    ]


def test_a_stump_is_not_drawn_like_a_normal_leg() -> None:
    """What is left of the leg was not examined, and looks so."""
    states = {
        str(one.get("data-state"))
        for group in part(drawing_of(amputated()), "limb", "right")
        for one in group
        if one.get("data-state")
    }

    assert {"not-examined"} == states


def test_a_lost_forefoot_has_no_toes() -> None:
    """Its toes are dotted outlines, no usual site in front of the midfoot is asked for, and the front view ends above the toes."""
    drawing = drawing_of(touched(Exam().see("amputation", "forefoot", "left"), "left", midfoot="not-felt"))
    (sole,) = part(drawing, "sole", "left")
    toes = {str(one.get("data-state")) for one in sole if str(one.get("data-of")).startswith(("hallux", "toe"))}

    assert {"gone"} == toes
    assert {"midfoot": "not-felt", "hindfoot": "untested"} == {
        str(one.get("data-site")): str(one.get("data-mark")) for one in sole.iter(f"{SVG}g") if one.get("data-mark")
    }
    assert max(y for group in part(drawing, "limb", "left") for y in _heights(group)) < levels(drawing)["toes"]


# contradictions


def test_contradictory_findings_are_marked_where_they_are_and_named() -> None:
    """A question mark at the lane, the site, the sole and the reflex; all of them in words, with the worse reading drawn."""
    exam = contradictory()
    drawing = drawing_of(exam)
    marked = Counter((mark.side, mark.of) for mark in marks(drawing) if mark.kind == "contradiction")
    words = picture_in_words(assessment_of(exam))

    assert {
        ("left", "pinprick"),
        ("left", "monofilament"),
        ("left", "hallux"),
        ("left", "ankle-reflex"),
        ("right", "vibration"),
        ("right", "light-touch"),
    } == set(marked)
    assert "callus (contradictory)" in words
    assert all(
        f in words
        for f in ("Dorsalis pedis pulse, left", "Level of the leg, pinprick, left", "Light touch, level and single sites")
    )
    assert any(one.words.startswith("Contradictory, the worse reading taken") for one in texts(drawing))


@pytest.mark.parametrize("name", [name for name in CASES if name != "contradictory"])
def test_nothing_is_marked_contradictory_that_is_not(name: str) -> None:
    """Only the legend shows the sign."""
    drawing = drawing_of(CASES[name]())
    shown = [one for one in drawing.iter(f"{SVG}g") if one.get("data-mark") == "contradiction"]
    legend = [one for group in part(drawing, "legend") for one in group.iter() if one.get("data-mark") == "contradiction"]

    assert 1 == len(shown) == len(legend)


def test_a_finding_that_cannot_be_used_is_named_and_not_drawn() -> None:
    """An ulcer without a side is not put on a foot, and not left out either."""
    drawing = drawing_of(normal().see("foot-ulcer", "present"))

    assert [] == [mark for mark in marks(drawing) if mark.kind == "foot-ulcer"]
    assert any("not usable, not drawn: Foot ulcer" in one.words for one in texts(drawing))


# sites, hands, what was seen


def test_outcomes_of_the_monofilament_stand_at_their_sites() -> None:
    """Felt and not felt, on the side and at the place they belong to: the great toe towards the middle, the heel lowest."""
    drawing = drawing_of(touched(Exam(), "left", hallux="not-felt", metatarsal_head_5="felt", hindfoot="not-felt"))
    (sole,) = part(drawing, "sole", "left")
    at = {
        mark.y: mark
        for mark in marks(drawing)
        if mark.side == "left" and mark.of == "monofilament-10g" and mark.kind != "untested"
    }
    toe, head, heel = (at[y] for y in sorted(at))

    assert ("not-felt", "felt", "not-felt") == (toe.kind, head.kind, heel.kind)
    assert toe.x < heel.x < head.x
    assert sole.get("data-side") == "left"


@pytest.mark.parametrize(
    ("answer", "kind"), [("normal", "felt"), ("reduced", "reduced"), ("absent", "not-felt")], ids=["normal", "reduced", "absent"]
)
@pytest.mark.parametrize("modality", MODALITIES)
def test_a_test_at_a_site_is_marked_in_its_lane_and_beside_the_sole(modality: str, answer: str, kind: str) -> None:
    """At the height of the toes in the lane; with the site in words beside the sole."""
    drawing = drawing_of(probed(Exam(), modality, answer, "left"))
    (in_lane,) = [mark for mark in marks(drawing) if mark.of == modality]
    beside = [one for group in part(drawing, "foot", "left") for one in group.iter() if one.get("data-mark") == kind]

    assert (kind, "left") == (in_lane.kind, in_lane.side)
    assert levels(drawing)["toes"] == pytest.approx(in_lane.y)
    assert 1 == len(beside)
    assert "great toe" in [one.words for one in texts(drawing)]


def test_hands_are_drawn_when_they_were_tested() -> None:
    """With their own levels; otherwise the picture says that they were not examined."""
    with_hands, without = drawing_of(hands()), drawing_of(stocking("knee"))
    (arms,) = part(with_hands, "arms")

    assert [name.replace("-", " ") for name in ARM_LEVELS[1:]] == [
        one.text for group in part(arms, "levels") for one in group.iter(f"{SVG}text")
    ]
    assert [] == list(part(without, "arms"))
    assert ["Hands and arms: not examined."] == [one.words for one in texts(without) if one.words.startswith("Hands")]
    assert "Left arm and hand. Light touch: loss up to the fingers. Pinprick: loss up to the wrist." in picture_in_words(
        assessment_of(hands())
    )


def test_what_was_seen_is_drawn_and_named() -> None:
    """Ulcers at their site; what has no site only in words beside its foot."""
    drawing = drawing_of(wounded())
    ulcers = {(mark.side, mark.of) for mark in marks(drawing) if mark.kind == "foot-ulcer"}
    told = {
        side: " ".join(one.text or "" for group in part(drawing, "foot", side) for one in group.iter(f"{SVG}text"))
        for side in OTHER
    }

    assert {("right", "metatarsal-head-1"), ("left", "hindfoot"), ("left", "dorsum")} == ulcers
    assert all(
        words in told["right"] for words in ("ulcer, first metatarsal head", "gangrene", "infection", "callus", "claw toe")
    )
    assert all(words in told["left"] for words in ("hot swollen foot", "toe amputated", "earlier Charcot foot", "earlier ulcer"))
    assert "gangrene" not in told["left"]


def test_an_ulcer_where_the_monofilament_was_not_tested_stands_alone() -> None:
    """The empty ring of a site that was not tested would look like a felt one on the dark mark of the ulcer."""
    drawing = drawing_of(wounded())
    rings = {(mark.side, round(mark.x), round(mark.y)) for mark in marks(drawing) if mark.kind == "untested"}
    felt = {
        (mark.side, round(mark.x), round(mark.y))
        for mark in marks(drawing)
        if mark.of == "monofilament-10g" and mark.kind == "felt"
    }
    ulcers = {
        mark.of: (mark.side, round(mark.x), round(mark.y))
        for mark in marks(drawing)
        if mark.kind == "foot-ulcer" and mark.of != "dorsum"
    }

    assert rings
    assert set() == rings & set(ulcers.values())
    assert {ulcers["metatarsal-head-1"]} == felt & set(ulcers.values())


def test_a_foot_that_was_not_looked_at_says_so() -> None:
    """Inspection, callus and deformity that were not recorded are named as not examined, and only those."""
    said = {
        name: [one.words for one in texts(drawing_of(exam)) if one.words.startswith("Not examined")]
        for name, exam in (("nothing", Exam()), ("normal", normal()))
    }

    assert {"nothing": 2, "normal": 0} == {name: len(lines) for name, lines in said.items()}


def test_a_count_without_sites_is_one_mark_for_the_foot() -> None:
    """Three of four sites felt, none named: one not-felt mark, no ring at any site."""
    parts = [{"code": own("sites-felt"), "valueInteger": 3}, {"code": own("sites-tested"), "valueInteger": 4}]
    drawing = drawing_of(Exam().see("monofilament-sites", {"component": parts}, "right"))

    assert ["not-felt"] == [mark.kind for mark in marks(drawing) if mark.of == "monofilament-10g"]
    assert {"sites not", "named"} <= {one.words for one in texts(drawing)}


# left and right


@EACH_CASE
def test_exchanging_the_sides_mirrors_the_picture(build: type[Exam]) -> None:
    """The same marks and bands on the other side, at the mirrored place."""
    exam = build()
    one, other = drawing_of(exam), drawing_of(mirrored(exam))

    assert Counter((mark.kind, mark.side, mark.of, round(mark.x), round(mark.y)) for mark in marks(one)) == Counter(
        (mark.kind, OTHER[mark.side], mark.of, round(600 - mark.x), round(mark.y)) for mark in marks(other)
    )
    assert Counter(areas(one)) == Counter(area._replace(side=OTHER[area.side]) for area in areas(other))


@EACH_CASE
def test_exchanging_the_sides_exchanges_the_words(build: type[Exam]) -> None:
    """What is said of one side is said of the other."""
    exam = build()
    words, swapped = (_pieces(picture_in_words(assessment_of(one))) for one in (exam, mirrored(exam)))
    names = {"left": "right", "right": "left", "Left": "Right", "Right": "Left"}

    assert words == Counter(re.sub("[Ll]eft|[Rr]ight", lambda side: names[side.group()], piece) for piece in swapped.elements())


def _pieces(words: str) -> Counter[str]:
    return Counter(re.split(r"[.;:,] ?", words))
