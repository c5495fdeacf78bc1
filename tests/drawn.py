"""Pictures for tests: from FHIR input to the drawing, and the drawing read back as marks, areas and texts."""

from collections.abc import Iterator
from datetime import date
from typing import NamedTuple
from xml.etree import ElementTree

import orjson

from sural.answer.assessment import Assessment
from sural.answer.drawing.svg import width
from sural.answer.picture import picture
from sural.doors.assessor import answer
from sural.doors.request import Request
from tests.builders import AS_OF, Exam, Json

SVG = "{http://www.w3.org/2000/svg}"
MODALITIES = ("light-touch", "pinprick", "temperature", "vibration", "joint-position")
SITE_CODES = {"temperature": "temperature-sense", "vibration": "vibration-128hz"}
OTHER = {"left": "right", "right": "left"}


def assessment_of(content: Exam | Json, as_of: str = AS_OF, **how: object) -> Assessment:
    """The assessment of the only patient, before it is written down."""
    data = orjson.dumps(content.bundle() if isinstance(content, Exam) else content)
    assessed = answer(data, Request(date.fromisoformat(as_of), **how)).assessed  # type: ignore[arg-type]
    assert assessed is not None and len(assessed.patients) == 1
    return assessed.patients[0]


def drawing_of(content: Exam | Json, **how: object) -> ElementTree.Element:
    """The picture as an element; raises where it is not well-formed XML."""
    return ElementTree.fromstring(picture(assessment_of(content, **how)))


class Mark(NamedTuple):
    """One mark of the drawing: what it means, where it belongs and where it stands."""

    kind: str
    side: str
    of: str
    x: float
    y: float


class Area(NamedTuple):
    """One stretch of a lane: of which side and modality, its state, and its upper and lower end."""

    side: str
    lane: str
    state: str
    upper: float
    lower: float


class Text(NamedTuple):
    """One text and the box it fills at most, turned if it is."""

    words: str
    size: float
    box: tuple[float, float, float, float]


def part(drawing: ElementTree.Element, name: str, side: str | None = None) -> Iterator[ElementTree.Element]:
    """The groups of a part of the drawing (legs, limb, sole, foot, legend, ...)."""
    for group in drawing.iter(f"{SVG}g"):
        if group.get("data-part") == name and side in (None, group.get("data-side")):
            yield group


def marks(drawing: ElementTree.Element) -> list[Mark]:
    """Every mark with a side that stands in the drawing itself, not in the words beside it."""
    beside = {id(one) for group in part(drawing, "foot") for one in group.iter()}
    return [
        Mark(
            str(group.get("data-mark")),
            str(group.get("data-side")),
            group.get("data-of") or group.get("data-site") or "",
            *middle(group),
        )
        for group in drawing.iter(f"{SVG}g")
        if group.get("data-mark") and group.get("data-side") and group.get("data-mark") != "amputated" and id(group) not in beside
    ]


def middle(group: ElementTree.Element) -> tuple[float, float]:
    """Where the first shape of a mark has its middle."""
    shape = next(one for one in group.iter() if one.tag in (f"{SVG}circle", f"{SVG}rect", f"{SVG}polygon"))
    if shape.tag == f"{SVG}circle":
        return float(shape.get("cx", "")), float(shape.get("cy", ""))
    if shape.tag == f"{SVG}rect":
        x, y, wide, high = (float(shape.get(name, "")) for name in ("x", "y", "width", "height"))
        return x + wide / 2, y + high / 2
    points = [tuple(map(float, point.split(","))) for point in str(shape.get("points")).split()]
    return sum(x for x, _ in points) / len(points), sum(y for _, y in points) / len(points)


def areas(drawing: ElementTree.Element) -> list[Area]:
    """Every stretch of every lane of the legs, from the toes up."""
    legs = next(part(drawing, "legs"))
    found = []
    for lane in legs.iter(f"{SVG}g"):
        if not lane.get("data-lane"):
            continue
        for shape in lane:
            state = shape.get("data-state")
            if state and shape.tag == f"{SVG}rect":
                upper = float(shape.get("y", ""))
                lower = upper + float(shape.get("height", ""))
            elif state:
                upper, lower = float(shape.get("y1", "")), float(shape.get("y2", ""))
            else:
                continue
            found.append(Area(str(lane.get("data-side")), str(lane.get("data-lane")), state, upper, lower))
    return found


def levels(drawing: ElementTree.Element) -> dict[str, float]:
    """The height of every level of the legs, by its name between them."""
    group = next(part(next(part(drawing, "legs")), "levels"))
    return {str(one.text): float(one.get("y", "")) - 4 for one in group.iter(f"{SVG}text")}


def texts(drawing: ElementTree.Element) -> list[Text]:
    """Every text that is drawn, with the box it fills at most."""
    found = []
    for group in drawing.iter():
        turned = str(group.get("transform", "")).startswith("rotate(-90")
        for one in group.findall(f"{SVG}text"):
            found.append(_text(one, turned))
    return found


def _text(one: ElementTree.Element, turned: bool) -> Text:
    size, x, y = float(one.get("font-size", "")), float(one.get("x", "")), float(one.get("y", ""))
    wide = width(str(one.text), size) * (1.1 if one.get("font-weight") == "bold" else 1)
    left = {"middle": x - wide / 2, "end": x - wide}.get(one.get("text-anchor", ""), x)
    box = (left, y - size * 0.75, left + wide, y + size * 0.2)
    if turned:
        box = (x - size * 0.55, y - 4 - wide / 2, x + size * 0.45, y - 4 + wide / 2)
    return Text(str(one.text), size, box)


# parts of examinations


def touched(exam: Exam, side: str = "both", **outcomes: str) -> Exam:
    """Sites of the monofilament by name (hallux="not-felt", metatarsal_head_1="felt")."""
    for site, outcome in outcomes.items():
        exam.see("monofilament-10g", outcome, side, site.replace("_", "-"))
    return exam


def probed(exam: Exam, modality: str, outcome: str, side: str = "both", site: str = "hallux") -> Exam:
    """One modality at one site."""
    return exam.see(SITE_CODES.get(modality, modality), outcome, side, site)


def reaching(exam: Exam, level: str, side: str = "both", *modalities: str) -> Exam:
    """The level of loss of some modalities, of all five when none is named."""
    for modality in modalities or MODALITIES:
        exam.see(f"sensory-level-{modality}", level, side)
    return exam


def mirrored(content: Exam | Json) -> Json:
    """The same input with the sides exchanged."""
    document: Json = content.bundle() if isinstance(content, Exam) else content
    text = orjson.dumps(document).decode()
    left, right, between = "7771000", "24028007", "0000"
    return orjson.loads(text.replace(left, between).replace(right, left).replace(between, right))  # type: ignore[no-any-return]
