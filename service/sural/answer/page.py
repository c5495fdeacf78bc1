"""The answer as one self-contained page: the same content as the text report, with the picture in it. No script, nothing from elsewhere.

The markup is well formed as XML too. Sizes are relative, colours keep a contrast of at least 4.5 to 1 in the light and the dark scheme,
and it prints on A4 in the light one. The picture keeps its white ground in both.
"""

from collections.abc import Iterable, Iterator

from sural.answer.assessment import Assessment
from sural.answer.content import Section, content, sources
from sural.answer.markup import element, words
from sural.answer.parts import unique_sources
from sural.answer.picture import picture

_LABEL_AT_MOST = 80
_PICTURE_BEFORE = "input"
_STYLE = """
:root { color-scheme: light dark; --ink: #17212b; --muted: #4d5966; --paper: #ffffff; --line: #c3cad1; --alarm: #7d1013;
  --alarm-paper: #fdeeee; --alarm-line: #a4161a; --panel: #f4f6f8; }
@media (prefers-color-scheme: dark) { :root { --ink: #e8edf2; --muted: #aeb9c4; --paper: #11171d; --line: #3c4752; --alarm: #ffd9d6;
  --alarm-paper: #3a1517; --alarm-line: #ff8a80; --panel: #1a222a; } }
* { box-sizing: border-box; }
body { margin: 0 auto; padding: 2rem 1.25rem 3rem; max-width: 46rem; background: var(--paper); color: var(--ink);
  font: 1rem/1.5 Helvetica, Arial, "Liberation Sans", sans-serif; }
h1 { margin: 0; font-size: 1.5rem; line-height: 1.25; overflow-wrap: anywhere; }
h2 { margin: 2rem 0 0.5rem; padding-bottom: 0.25rem; border-bottom: 1px solid var(--line); font-size: 1.125rem; }
p { margin: 0.25rem 0; }
ul { margin: 0; padding: 0; list-style: none; }
li { margin: 0.375rem 0; padding-left: 1rem; text-indent: -1rem; overflow-wrap: anywhere; }
.examined, .source, footer { color: var(--muted); }
.cautions { margin: 1rem 0 0; padding: 0.75rem 1rem; background: var(--panel); font-size: 0.875rem; }
.alarm { margin: 1.25rem 0 0; padding: 0.75rem 1rem 1rem; border: 1px solid var(--alarm-line); border-left-width: 0.5rem;
  background: var(--alarm-paper); color: var(--alarm); }
.alarm h2 { margin: 0 0 0.25rem; padding: 0; border: 0; }
.small { font-size: 0.875rem; }
figure { margin: 1rem 0; }
figure svg { display: block; width: 100%; max-width: 600px; height: auto; margin: 0 auto; border: 1px solid var(--line); }
@page { size: A4; margin: 16mm 15mm; }
@media print { :root { --ink: #17212b; --muted: #4d5966; --paper: #ffffff; --line: #c3cad1; --alarm: #7d1013; --alarm-paper: #ffffff;
  --alarm-line: #a4161a; --panel: #ffffff; }
  html { font-size: 10pt; }
  body { max-width: none; padding: 0; }
  h2 { break-after: avoid; } li, .alarm, figure { break-inside: avoid; } .cautions { padding: 0; }
  figure svg { border: 0; max-height: 245mm; } }
"""


def page(assessment: Assessment, *others: Assessment) -> str:
    """The page of one assessment or several, from the document type to the last line. The same assessments give the same bytes."""
    body = element("main", *(element("article", *_body(one, "div")) for one in (assessment, *others))) if others else ""
    content = element("body", body) if others else element("body", *_body(assessment))
    return f"<!DOCTYPE html>\n{element('html', _head(assessment), content, lang='en')}\n"


def _head(assessment: Assessment) -> str:
    as_of = assessment.examination.as_of.isoformat()
    return element(
        "head",
        element("meta", charset="utf-8"),
        element("meta", name="viewport", content="width=device-width, initial-scale=1"),
        element("title", words(f"Foot and lower-limb assessment, as of {as_of}")),
        element("style", _STYLE),
    )


def _body(assessment: Assessment, middle: str = "main") -> Iterator[str]:
    said = content(assessment)
    yield element("header", element("h1", words(said.heading)), element("p", words(said.examined), class_="examined"))
    yield element(middle, *_main(assessment, said.alarms, said.cautions, said.sections))
    yield element("footer", element("p", words(said.cautions[0]), class_="small"))


def _main(
    assessment: Assessment, alarms: tuple[str, ...], cautions: tuple[str, ...], sections: tuple[Section, ...]
) -> Iterator[str]:
    if alarms:
        yield _alarm(alarms)
    yield element("div", *(element("p", words(caution)) for caution in cautions), class_="cautions")
    for section in sections:
        if section.key == _PICTURE_BEFORE:
            yield _picture(assessment)
        yield _section(section)
    yield _section(Section("sources", "Sources of the rules", sources(assessment)), small=True)
    used = [source.reference or source.path for source in unique_sources(assessment.examination)]
    yield _section(Section("used", "Input resources used", (", ".join(used),) if used else ()), small=True)


def _alarm(alarms: tuple[str, ...]) -> str:
    first, *others = alarms
    return element(
        "section",
        element("h2", words(first), id="alarm"),
        _list(others),
        class_="alarm",
        aria_labelledby="alarm",
    )


def _picture(assessment: Assessment) -> str:
    drawing = element("figure", picture(assessment))
    return element("section", element("h2", "Picture", id="picture"), drawing, aria_labelledby="picture")


def _section(section: Section, small: bool = False) -> str:
    """A titled list; nothing when there is nothing to list."""
    if not section.lines:
        return ""
    title = element("h2", words(section.title), id=section.key)
    return element("section", title, _list(section.lines), class_="small source" if small else None, aria_labelledby=section.key)


def _list(lines: Iterable[str]) -> str:
    return element("ul", *(element("li", _item(line)) for line in lines))


def _item(line: str) -> str:
    """A line; what stands before its first colon is its label, when that is short."""
    label, colon, rest = line.partition(": ")
    if colon and len(label) <= _LABEL_AT_MOST:
        return f"{element('strong', words(label + ':'))} {words(rest)}"
    return words(line)
