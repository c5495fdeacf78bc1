"""What reading one document has gathered: findings per patient, issues, and what became of every resource."""

from datetime import date
from typing import Literal

from msgspec import Struct

from sural.exam.examination import Request
from sural.exam.finding import Finding, NotExamined, Unheard
from sural.intake.documents import Item
from sural.intake.panels import Panels
from sural.intake.references import References, Subject
from sural.issues import Issue
from sural.terminology.lexicon import Lexicon

Fate = Literal["used", "superseded", "notRelevant", "unusable"]
Role = Literal["code", "value", "site"]


class Gathered(Struct):
    """Everything read about one patient, before the newest readings are selected."""

    subject: Subject
    findings: list[Finding] = []
    unheard: list[Unheard] = []
    not_examined: list[NotExamined] = []
    requests: list[Request] = []
    issues: list[Issue] = []
    items: list[Item] = []
    preliminary: bool = False


class CodeUse(Struct):
    """One line of the intake report: how often a code came, what it was understood as, and what became of the resources.

    `role` says whether it came as the code of a resource, as its coded value or as its body site.
    """

    system: str
    code: str
    display: str
    count: int = 0
    understood: str | None = None
    fates: dict[str, int] = {}
    reasons: dict[str, int] = {}
    role: Role = "code"


class Context:
    """The state of reading one document. Nothing here outlives the call."""

    def __init__(self, items: list[Item], lexicon: Lexicon, as_of: date, preliminary: bool) -> None:
        self.items = list(items)
        self.lexicon = lexicon
        self.as_of = as_of
        self.preliminary = preliminary
        self.references = References(items)
        self.fates: list[Fate | None] = [None] * len(items)
        self.reasons: dict[int, str] = {}
        self.patients: dict[Subject, Gathered] = {}
        self.subjects: list[Subject] | None = None
        self.unattributed: list[Issue] = []
        self.panels = Panels(lexicon, self.references, preliminary)

    def gathered(self, subject: Subject) -> Gathered:
        """The collection of one patient."""
        found = self.patients.get(subject)
        if found is None:
            found = self.patients[subject] = Gathered(subject)
        return found

    def add_contained(self, item: Item) -> Item:
        """Give a contained resource a number of its own; it is then read like any other."""
        item.index = len(self.items)
        self.items.append(item)
        self.fates.append(None)
        return item

    def unusable(self, item: Item, key: str, about: Gathered | None = None, part: str = "") -> None:
        """Record a fault and that its resource cannot be used. `part` is the rest of the FHIRPath within the resource."""
        self.remark(item, key, about, part)
        self.fates[item.index] = "unusable"
        self.reasons.setdefault(item.index, key)

    def not_relevant(self, item: Item, key: str = "", about: Gathered | None = None, part: str = "") -> None:
        """Record that a resource is none that is read here."""
        if key:
            self.remark(item, key, about, part)
            self.reasons.setdefault(item.index, key)
        self.fates[item.index] = "notRelevant"

    def remark(self, item: Item, key: str, about: Gathered | None = None, part: str = "", diagnostics: str = "") -> None:
        """Record an issue without deciding what becomes of the resource."""
        issue = Issue(key, item.path + part, diagnostics, item.line)
        (about.issues if about else self.unattributed).append(issue)
