"""The answer as a page of text, for a terminal: what to act on first, then category, reasons, gaps and cautions."""

from collections.abc import Iterator
from textwrap import fill

from sural.answer.assessment import Assessment
from sural.answer.content import content, said_issue

WIDTH = 100


def report(assessment: Assessment) -> str:
    """The report of one patient. Wrapped at 100 columns; plain text without escape codes."""
    return "\n".join(_lines(assessment)) + "\n"


def _lines(assessment: Assessment) -> Iterator[str]:
    said = content(assessment)
    yield said.heading
    yield said.examined
    if said.alarms:
        yield ""
    for alarm in said.alarms:
        yield _wrapped("!! ", alarm)
    for section in said.sections:
        yield ""
        yield section.title
        for line in section.lines:
            yield _wrapped("  - ", line)
    yield ""
    for caution in said.cautions:
        yield _wrapped("", caution)


def _wrapped(prefix: str, text: str) -> str:
    return fill(
        text, WIDTH, initial_indent=prefix, subsequent_indent=" " * len(prefix), break_long_words=False, break_on_hyphens=False
    )


__all__ = ["report", "said_issue"]
