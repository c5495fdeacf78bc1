"""One person's examination in the normal form: findings by limb, by site and for the person as a whole."""

from collections.abc import Iterator
from datetime import date
from decimal import Decimal

from msgspec import Struct

from sural.exam.finding import Finding, NotExamined, Source, Unheard, Value
from sural.terminology.site import SIDES, Side

FOOT_LOST = ("entire-foot", "below-knee", "above-knee")
_NO_SITES: dict[str, Finding] = {}


class Ulcer(Struct):
    """One ulcer: the finding that says it is there and what is known of it, by concept code."""

    side: str
    site: str | None
    present: Finding
    details: dict[str, Finding]

    def value(self, code: str) -> Value | None:
        finding = self.details.get(code)
        return finding.value if finding else None


class Limb:
    """The findings of one leg and foot (and arm) of a side: one per concept, or one per concept and site.

    `toe` holds the answers at the great toe by concept, as far as they have been worked out; asked for once the side is complete.
    """

    __slots__ = ("_codes", "findings", "foot_lost", "side", "sites", "toe", "ulcers")

    def __init__(self, side: str) -> None:
        self.side = side
        self.findings: dict[str, Finding] = {}
        self.sites: dict[str, dict[str, Finding]] = {}
        self.ulcers: list[Ulcer] = []
        self.toe: dict[str, str | None] = {}
        self.foot_lost = False
        self._codes: frozenset[str] | None = None

    @property
    def codes(self) -> frozenset[str]:
        """The concepts that were recorded of the side; asked for once the side is complete."""
        if self._codes is None:
            self._codes = frozenset(self.findings.keys() | self.sites.keys())
        return self._codes

    def get(self, code: str) -> Finding | None:
        """The finding of a side-level concept."""
        return self.findings.get(code)

    def at(self, code: str) -> dict[str, Finding]:
        """The findings of a concept by site code ("" where no site was stated)."""
        return self.sites.get(code, _NO_SITES)

    def value(self, code: str) -> Value | None:
        """The value of a side-level concept, or None when it was not recorded."""
        finding = self.findings.get(code)
        return finding.value if finding else None

    def number(self, code: str) -> Decimal | None:
        """The number of a side-level concept, or None."""
        finding = self.findings.get(code)
        return finding.value if finding and isinstance(finding.value, Decimal) else None

    def __iter__(self) -> Iterator[Finding]:
        """Every finding of the side, those of its ulcers included."""
        found = list(self.findings.values())
        for by_site in self.sites.values():
            found += by_site.values()
        for ulcer in self.ulcers:
            if ulcer.present is not self.findings.get("foot-ulcer"):
                found.append(ulcer.present)
            found += ulcer.details.values()
        return iter(found)


class Person(Struct, frozen=True):
    """Whom the examination is about. Ages are completed years; both ends differ when the birth date is partial."""

    reference: str
    identifiers: tuple[tuple[str | None, str], ...] = ()
    age_from: int | None = None
    age_to: int | None = None
    gender: str | None = None


class Request(Struct, frozen=True):
    """A referral that is on file already: our service, whether its code means exactly that, its priority and date."""

    service: str
    exact: bool
    priority: str
    authored: date | None
    source: Source


class Contradiction(Struct, frozen=True):
    """Findings that cannot all be right, and the one that was taken."""

    taken: Finding
    against: tuple[Finding, ...]


class Examination:
    """All that rules may know: findings, the person, the day of assessment, referrals on file and what the sender declared complete.

    `unheard` holds what could not be used: findings without a side, preliminary ones, diagnoses that are not confirmed. It is no
    evidence, but while it stands the factors it speaks for cannot be no. `earlier` holds the examinations before this one that came
    in the same input, oldest first.
    """

    __slots__ = (
        "_recorded",
        "as_of",
        "complete",
        "contradictions",
        "earlier",
        "latest",
        "left",
        "lookback_from",
        "not_examined",
        "person",
        "preliminary",
        "requests",
        "right",
        "series",
        "subject",
        "unheard",
    )  # fmt: skip

    def __init__(self, subject: Person, as_of: date, lookback_from: date) -> None:
        self.subject = subject
        self.as_of = as_of
        self.lookback_from = lookback_from
        self.left = Limb("left")
        self.right = Limb("right")
        self.unheard: list[Unheard] = []
        self.person: dict[str, Finding] = {}
        self.series: dict[str, list[Finding]] = {}
        self.not_examined: list[NotExamined] = []
        self.requests: list[Request] = []
        self.contradictions: list[Contradiction] = []
        self.complete: frozenset[str] = frozenset()
        self.preliminary = False
        self.latest: str | None = None
        self.earlier: tuple[Examination, ...] = ()
        self._recorded: frozenset[str] | None = None

    @property
    def codes(self) -> frozenset[str]:
        """The person-level concepts that were recorded."""
        return frozenset(self.person)

    @property
    def recorded(self) -> frozenset[str]:
        """Every concept that was recorded, of the person and of both sides; asked for once the examination is complete."""
        if self._recorded is None:
            self._recorded = self.left.codes.union(self.right.codes, self.person)
        return self._recorded

    @property
    def no_diabetes(self) -> bool:
        """Whether diabetes was ruled out, and nothing that could not be used speaks for it."""
        return self.value("diabetes") == "absent" and not any(
            one.concept.code == "diabetes" and one.value != "absent" for one in self.unheard
        )

    @property
    def limbs(self) -> tuple[Limb, Limb]:
        return self.left, self.right

    def limb(self, side: Side) -> Limb:
        return self.left if side == "left" else self.right

    def get(self, code: str) -> Finding | None:
        """The finding of a person-level concept."""
        return self.person.get(code)

    def value(self, code: str) -> Value | None:
        """The value of a person-level concept, or None when it was not recorded."""
        finding = self.person.get(code)
        return finding.value if finding else None

    def number(self, code: str) -> Decimal | None:
        """The number of a person-level concept, or None."""
        finding = self.person.get(code)
        return finding.value if finding and isinstance(finding.value, Decimal) else None

    def __iter__(self) -> Iterator[Finding]:
        """Every finding that counts, and the earlier readings of a series."""
        found = [*self.left, *self.right]
        for code, finding in self.person.items():
            found.append(finding)
            if code in self.series:
                found += [reading for reading in self.series[code] if reading is not finding]
        return iter(found)


__all__ = ["FOOT_LOST", "SIDES", "Contradiction", "Examination", "Limb", "Person", "Request", "Ulcer"]
