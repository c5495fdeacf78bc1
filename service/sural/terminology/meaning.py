"""What a code, a body site or a coded value can mean."""

from typing import Literal, NamedTuple

from msgspec import Struct
from msgspec.structs import replace

from sural.terminology.concept import Concept
from sural.terminology.site import Site

Trouble = Literal[
    "code-conflict", "side-conflict", "site-conflict", "site-not-mapped", "laterality-not-understood", "structure-invalid"
]


_NAMED = {"diabetes": "other", "amputation": "unspecified", "dialysis-or-transplant": "dialysis", "osteomyelitis": "confirmed"}


class Target(Struct, frozen=True):
    """What one code stands for: a concept, and whatever the code fixes by itself.

    With a `value` the code is the finding itself (its presence is the answer). `part` names a component of the concept. `condition`
    limits the target to a site, a region or an unconfirmed diagnosis.
    """

    concept: Concept
    value: str | None = None
    part: str | None = None
    side: str | None = None
    site: str | None = None
    detail: str | None = None
    condition: str | None = None

    @property
    def stands_alone(self) -> bool:
        """Whether the target is a finding of its own, not a component of one."""
        return self.part is None and self.concept.scope != "component"

    @property
    def named(self) -> "Target | None":
        """The target as a finding that is there because it is named, or None when naming it says nothing."""
        if self.value is not None:
            return self
        answer = "present" if self.concept.answers == ("absent", "present") else _NAMED.get(self.concept.code)
        return replace(self, value=answer) if answer else None


class Meaning(Struct, frozen=True):
    """The targets of a CodeableConcept; none when it is not ours to read.

    `trouble` is the key of the issue when its codings contradict each other or name a side that is not known; the targets are then what
    it might have meant. `question` is the concept when the code asks for its value and says nothing else.
    """

    targets: tuple[Target, ...]
    side: str | None = None
    site: Site | None = None
    trouble: Trouble | None = None
    nearly: bool = False
    coding: tuple[str, str, str] = ("", "", "")
    question: Concept | None = None

    @property
    def named(self) -> "Meaning":
        """The same as the code of a diagnosis or a procedure, which says that something is there by naming it."""
        return replace(self, targets=tuple(named for target in self.targets if (named := target.named) is not None))


class Place(Struct, frozen=True):
    """Where a finding lies. `trouble` is the key of the issue when the codings say two sides or two sites, or nothing known."""

    side: str | None = None
    site: Site | None = None
    trouble: Trouble | None = None


class Absent(Struct, frozen=True):
    """A test that was not done, with the reason (a data-absent-reason code)."""

    reason: str


class Unread(Struct, frozen=True):
    """An answer that cannot be read, with the key of the issue."""

    key: str


class Plain(NamedTuple):
    """What a code, a body site and a coded value say together, when nothing about them needs a second look.

    `answer` is None when there is no coded value. `dated` says that without a date it counts for nothing.
    """

    concept: Concept
    side: str | None
    site: Site | None
    answer: str | None
    dated: bool


PRESENCE = Concept("presence", "", "", "", "person", "code", ("absent", "present"), 1)
NOWHERE = Place()
