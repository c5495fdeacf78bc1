"""The answer as one page, and the content that it shares with the text report.

Checked against what a page is to be ("one self-contained page"), the design ("limb- or life-threatening features come first in every view";
"lists what was not examined") and WCAG 2.1, 1.4.3 (contrast of at least 4.5 to 1). The people are invented.
"""

import re
from xml.etree import ElementTree

import orjson
import pytest

from sural.answer.content import content, sources
from sural.answer.markup import element, words
from sural.answer.page import page
from sural.answer.picture import picture
from sural.answer.report import report
from sural.answer.wording import CAUTIONS, EMERGENCY
from tests.builders import AS_OF, EXAMINED, Exam, Json
from tests.drawn import SVG, assessment_of, probed, reaching
from tests.test_picture import CASES, EACH_CASE, normal, wounded

EARLIER = "2025-06-01T09:30:00+00:00"


def html_of(exam: Exam | Json) -> ElementTree.Element:
    """The page as an element; raises where it is not well formed."""
    written = page(assessment_of(exam))
    assert written.startswith("<!DOCTYPE html>\n")
    return ElementTree.fromstring(written.removeprefix("<!DOCTYPE html>\n"))


def words_of(element: ElementTree.Element) -> str:
    """The text of an element without the picture, in single spaces."""
    return " ".join(" ".join(_texts(element)).split())


def _texts(element: ElementTree.Element) -> list[str]:
    if element.tag in (f"{SVG}svg", "style"):
        return []
    found = [element.text or ""]
    for child in element:
        found += [*_texts(child), child.tail or ""]
    return found


@EACH_CASE
def test_the_page_is_well_formed_and_in_english(build: type[Exam]) -> None:
    """It parses as XML too; language, character set, title and one main heading are there."""
    html = html_of(build())

    assert ("html", "en") == (html.tag, html.get("lang"))
    assert ["head", "body"] == [one.tag for one in html]
    assert "utf-8" in [one.get("charset") for one in html.iter("meta")]
    assert [f"Foot and lower-limb assessment, as of {AS_OF}"] == [one.text for one in html.iter("title")]
    assert 1 == len(list(html.iter("h1"))) == len(list(html.iter("main")))


@EACH_CASE
def test_the_page_stands_alone(build: type[Exam]) -> None:
    """No script, link, frame, form or image file, and no address of anything outside it."""
    written = page(assessment_of(build()))
    tags = {one.tag.removeprefix(SVG) for one in html_of(build()).iter()}

    assert set() == tags & {"script", "link", "img", "iframe", "object", "embed", "form", "base", "a", "image", "use"}
    assert {"http://www.w3.org/2000/svg"} >= set(re.findall(r"https?:[^\"' <)]+", written))
    assert [] == re.findall(r"url\((?!#sural-)|@import|javascript:|\son\w+=", written)


@EACH_CASE
def test_the_page_says_what_the_text_report_says(build: type[Exam]) -> None:
    """Heading, alarms, every line of every section and the cautions, in the same order of sections."""
    assessment = assessment_of(build())
    said = content(assessment)
    text, html = " ".join(report(assessment).replace("!! ", "").replace(" - ", " ").split()), html_of(build())
    shown = words_of(html)
    lines = [
        said.heading,
        said.examined,
        *said.alarms,
        *(line for section in said.sections for line in section.lines),
        *said.cautions,
    ]
    titles = [section.title for section in said.sections]

    assert [] == [line for line in lines if " ".join(line.split()) not in shown]
    assert [] == [line for line in lines if " ".join(line.replace(" - ", " ").split()) not in text]
    assert titles == [one.text for one in html.iter("h2") if one.text in titles]


@EACH_CASE
def test_the_picture_is_in_the_page(build: type[Exam]) -> None:
    """Inline, unchanged, once."""
    assessment = assessment_of(build())

    assert 1 == page(assessment).count(picture(assessment))


@EACH_CASE
def test_the_same_assessment_gives_the_same_page(build: type[Exam]) -> None:
    """Byte for byte."""
    assert page(assessment_of(build())) == page(assessment_of(build()))


@EACH_CASE
def test_every_section_is_named_by_its_heading(build: type[Exam]) -> None:
    """Identifiers are unique and every aria-labelledby finds its heading; none is empty."""
    html = html_of(build())
    ids = [str(one.get("id")) for one in html.iter() if one.get("id")]
    labelled = [str(one.get("aria-labelledby")) for one in html.iter("section")]

    assert len(ids) == len(set(ids))
    assert labelled and set(labelled) <= set(ids)
    assert [] == [one for one in html.iter("ul") if not len(one)]
    assert all(words_of(one) for one in html.iter("li"))


def test_what_threatens_limb_or_life_comes_first() -> None:
    """Before cautions, referrals and everything else, with the emergency route in its heading."""
    assessment = assessment_of(wounded())
    main = next(html_of(wounded()).iter("main"))
    text = report(assessment)

    assert EMERGENCY == main[0][0].text
    assert "Gangrene" in words_of(main[0])
    assert text.index(EMERGENCY) < text.index("Gangrene") < text.index("Referrals (proposals)")


@pytest.mark.parametrize("flag", ["sphincter-disturbance", "sensory-level-trunk"])
def test_an_urgent_sign_of_the_cord_comes_first_too(flag: str) -> None:
    """Cord signs first, and by the emergency route."""
    exam = reaching(Exam(), "thigh").see(flag, "present").see("plantar-response", "extensor", "both")
    assessment = assessment_of(exam)
    urgent = assessment.neuropathy.urgent
    alarms = content(assessment).alarms

    assert urgent
    assert EMERGENCY == alarms[0]
    assert all(any(raised.flag.text[1:] in alarm for alarm in alarms) for raised in urgent)


def test_without_a_threat_there_is_no_alarm() -> None:
    """A normal examination raises none."""
    assert () == content(assessment_of(normal())).alarms
    assert EMERGENCY not in page(assessment_of(normal()))
    assert EMERGENCY not in report(assessment_of(normal()))


def test_findings_stand_by_modality_with_both_sides() -> None:
    """One line per modality, right and left, with what was not examined on one side said so."""
    exam = probed(reaching(Exam(), "knee", "left", "pinprick"), "vibration", "absent", "right")
    (section,) = [one for one in content(assessment_of(exam)).sections if one.key == "findings"]

    assert (
        "Pinprick, legs: Right, not examined. Left, loss up to the knee.",
        "Vibration, legs: Right, loss up to the toes at least, perhaps up to the trunk, no normal level above was recorded; "
        "absent at great toe. Left, not examined.",
    ) == section.lines


def test_changes_since_an_earlier_examination_are_told() -> None:
    """Pinprick lost to the ankle a year ago and to the knee now: the reach has risen, on both sides."""
    exam = Exam()
    for when, level in ((EARLIER, "ankle"), (EXAMINED, "knee")):
        exam.see("sensory-level-pinprick", level, "both", effectiveDateTime=when)
    assessment = assessment_of(exam)
    told = [line for section in content(assessment).sections if section.key == "trend" for line in section.lines]

    assert [f"Pinprick, {side}: ankle on 2025-06-01, now knee." for side in ("left", "right")] == sorted(
        line for line in told if line.startswith("Pinprick")
    )
    assert "Over time" in words_of(html_of(exam))


def test_what_was_not_examined_is_listed() -> None:
    """Every part of the examination that is missing, on the page as in the text."""
    shown = words_of(html_of(Exam().felt("left")))

    assert all(
        part in shown for part in ("10 g monofilament or light touch of toes, right foot", "dorsalis pedis pulse, both feet")
    )


def test_issues_of_the_input_are_shown() -> None:
    """An Observation without a side is named with its path."""
    shown = words_of(html_of(normal().see("callus", "present")))

    assert "side-missing" in shown
    assert "Bundle.entry[" in shown


def test_the_sources_of_the_rules_are_listed_once_each() -> None:
    """Schemes, scores and referrals with how far their source was checked; the text names them line by line instead."""
    assessment = assessment_of(reaching(Exam().not_felt("both"), "knee"))
    listed = sources(assessment)

    assert len(listed) == len(set(listed))
    assert all(
        any(part in source for source in listed)
        for part in ("NG19", "IWGDF", "Scottish", "Toronto", "Bril and Perkins", "common practice")
    )
    assert all(source in words_of(html_of(reaching(Exam().not_felt("both"), "knee"))) for source in listed)


def test_cautions_stand_on_the_page() -> None:
    """All of them above the findings, the first again at the end."""
    html = html_of(normal())

    assert all(caution in words_of(html) for caution in CAUTIONS)
    assert CAUTIONS[0] == words_of(next(html.iter("footer")))


# nothing that does not belong


def test_nothing_of_the_person_but_the_reference_is_shown() -> None:
    """The text report shows the reference; name, birth date and identifier stay out of both."""
    bundle = wounded().bundle()
    bundle["entry"][0]["resource"] |= {"name": [{"family": "Thornquist", "given": ["Isolde"]}], "gender": "female"}
    assessment = assessment_of(bundle)
    secrets = ("Thornquist", "Isolde", "1957-04-11", "urn:example:skerrow")

    assert [] == [one for one in secrets if one in page(assessment) or one in report(assessment)]
    assert 1 == page(assessment).count("Patient/p1")


@pytest.mark.parametrize("text", ["<script>alert(1)</script>", "</style><b>", '" onload="x', "a & b", "]]>"])
def test_text_from_the_input_is_escaped(text: str) -> None:
    """Wherever words of the input reach the page they are words there, not markup."""
    bundle = normal().bundle()
    strange = {"coding": [{"system": "urn:example:skerrow", "code": text, "display": text}], "text": text}
    bundle["entry"].append(
        {"fullUrl": f"urn:example:{text}", "resource": {**_observation(bundle), "id": "strange", "code": strange}}
    )
    bundle["entry"].append({"resource": {**_observation(bundle), "id": "odd", "valueString": text, "valueCodeableConcept": None}})
    data = orjson.loads(
        orjson.dumps(bundle).replace(b'"valueCodeableConcept":null,', b"").replace(b',"valueCodeableConcept":null', b"")
    )
    html = html_of(data)

    assert set() == {one.tag for one in html.iter()} & {"script", "b"}
    assert all(not name.startswith("on") for one in html.iter() for name in one.attrib)


def _observation(bundle: Json) -> Json:
    return next(dict(one["resource"]) for one in bundle["entry"] if one["resource"]["resourceType"] == "Observation")


def test_attributes_and_text_are_escaped_alike() -> None:
    """Whatever an attribute holds, it ends where it should."""
    written = element("p", words("<&>"), title='"><b>', data_of=1.0, hidden=None)

    assert '<p title="&quot;&gt;&lt;b&gt;" data-of="1">&lt;&amp;&gt;</p>' == written
    assert ("<&>", '"><b>') == (ElementTree.fromstring(written).text, ElementTree.fromstring(written).get("title"))


# colours and paper


def _palettes() -> dict[str, dict[str, str]]:
    """The colours of the light, dark and print schemes, from the style sheet."""
    style = str(next(html_of(Exam()).iter("style")).text)
    found = re.findall(r":root \{([^}]*)\}", style)
    return {
        name: dict(re.findall(r"--([\w-]+): (#[0-9a-f]{6})", one))
        for name, one in zip(("light", "dark", "print"), found, strict=True)
    }


def _contrast(one: str, other: str) -> float:
    """WCAG 2.1: (lighter + 0.05) / (darker + 0.05) of the relative luminances."""
    high, low = sorted((_luminance(one), _luminance(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def _luminance(colour: str) -> float:
    parts = [int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)]
    red, green, blue = (part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


@pytest.mark.parametrize("scheme", ["light", "dark", "print"])
@pytest.mark.parametrize(("ink", "ground"), [("ink", "paper"), ("muted", "paper"), ("ink", "panel"), ("alarm", "alarm-paper")])
def test_text_has_enough_contrast(scheme: str, ink: str, ground: str) -> None:
    """At least 4.5 to 1 (WCAG 2.1, 1.4.3, AA) in every scheme."""
    colours = _palettes()[scheme]

    assert 4.5 <= _contrast(colours[ink], colours[ground])


@pytest.mark.parametrize("name", CASES)
def test_text_in_the_picture_has_enough_contrast(name: str) -> None:
    """On the white ground of the picture, on the dark boxes of reflexes and on the sign of a contradiction."""
    fills = {
        str(one.get("fill"))
        for one in ElementTree.fromstring(picture(assessment_of(CASES[name]()))).iter(f"{SVG}text")
        if one.get("fill") != "#ffffff"
    }

    assert 4.5 <= min(_contrast(fill, ground) for fill in fills for ground in ("#ffffff", "#f5f6f7"))
    assert 4.5 <= _contrast("#ffffff", "#17212b")
    assert 4.5 <= _contrast("#17212b", "#ffe9a8")


def test_the_page_prints_on_a4() -> None:
    """The page size is set, headings stay with what follows, and the picture is not cut in two."""
    style = str(next(html_of(Exam()).iter("style")).text)

    assert re.search(r"@page \{ size: A4;", style)
    assert "break-after: avoid" in style
    assert re.search(r"figure \{ break-inside: avoid", style)
