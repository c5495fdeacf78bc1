"""The questions of the published forms: what each link id asks for, from the Questionnaires and the ConceptMap of their questions."""

from collections.abc import Iterator
from functools import cache
from typing import Any

from msgspec import Struct

from sural import canonical
from sural.terminology import dictionary
from sural.terminology.concept import Concept
from sural.terminology.publication import read

FORMS = ("foot-screening", "neurological-examination")
WHY_NOT = "-not-measured"
"""The end of the link id of a question why there is no answer to the one before it."""


class Question(Struct, frozen=True):
    """What a question asks for: a concept on a side, at a site, or only one component (`part`) of it; `minutes` of standing.

    `of` is the link id of the question that a reason belongs to; empty for a question that asks for a finding.
    """

    concept: Concept
    side: str = ""
    site: str = ""
    part: str = ""
    minutes: str = ""
    of: str = ""

    @property
    def answered(self) -> Concept:
        """The concept whose value the answer is."""
        return dictionary.concepts()[self.part] if self.part else self.concept


def questions(questionnaire: str | None) -> dict[str, Question] | None:
    """The questions of one of our forms by link id; None when the canonical, with or without a version, is not ours."""
    prefix = f"{canonical.BASE}/Questionnaire/"
    name = (questionnaire or "").partition("|")[0].removeprefix(prefix)
    return _questions(name) if name in FORMS and questionnaire and questionnaire.startswith(prefix) else None


@cache
def _questions(form: str) -> dict[str, Question]:
    known = _known()
    found = {}
    for link in _links(read("Questionnaire", form)["item"]):
        of = link.removesuffix(WHY_NOT)
        if of != link:
            asked = known[of]
            found[link] = Question(asked.concept, asked.side, asked.site, asked.part, asked.minutes, of)
        elif link in known:
            found[link] = known[link]
    return found


@cache
def _known() -> dict[str, Question]:
    """Every question that asks for a finding."""
    concepts = dictionary.concepts()
    found = {}
    for element in read("ConceptMap", "questions")["group"][0]["element"]:
        target = element["target"][0]
        products = {one["property"].rpartition("/")[2]: one["value"] for one in target.get("product", ())}
        found[element["code"]] = Question(
            concepts[target["code"]],
            products.get("side", ""),
            products.get("site", ""),
            products.get("part", ""),
            products.get("minutes-standing", ""),
        )
    return found


def _links(items: list[dict[str, Any]]) -> Iterator[str]:
    for item in items:
        yield item["linkId"]
        yield from _links(item.get("item", []))
