"""The account of a run: every line that was read, what became of it, and what was found, as numbers for the report and for programs."""

from pathlib import Path
from typing import Any

import msgspec
from msgspec import Struct

from sural.canonical import RULE_SET, VERSION
from sural.cohort.grouping import Grouped
from sural.cohort.persons import Order
from sural.cohort.tally import Tally
from sural.exam.moment import before

NAME = "account.json"


class Lines(Struct, frozen=True):
    """What became of each line. `read` and `besides` together are the sum of the rest: `besides` counts resources inside others, and lines of
    Medications once more for each further patient who names one.

    `blank` are empty; `rejected` reach no patient; `refused` are of patients who cannot be assessed; `not_relevant` hold nothing that is read
    here, `other_types` of them because of their type.
    """

    read: int
    used: int
    superseded: int
    not_relevant: int
    other_types: int
    unusable: int
    refused: int
    rejected: int
    blank: int
    besides: int


class Account(Struct, frozen=True):
    """The whole account. `counts` is the tally of the patients assessed; `files` holds lines per file, `plan` tells runs over
    other files or with other options apart. `earliest` is the first day of the look-back: older findings do not count, but history and diagnoses."""

    plan: str
    software: str
    rule_set: str
    as_of: str
    earliest: str
    scheme: str
    files: dict[str, int]
    lines: Lines
    patients: dict[str, int]
    rejects: dict[str, int]
    counts: dict[str, int]

    def part(self, *words: str) -> dict[str, int]:
        """The counts below some words, by what follows them, the greatest first."""
        before = "|".join(words) + "|"
        found = {name.removeprefix(before): number for name, number in self.counts.items() if name.startswith(before)}
        return dict(sorted(found.items(), key=lambda pair: (-pair[1], pair[0])))


def account(tally: Tally, grouped: Grouped, order: Order, plan: str) -> Account:
    """Add up what was counted. Raises AssertionError when a line is missing."""
    lines = Lines(
        read=sum(grouped.lines),
        used=tally["lines|used"],
        superseded=tally["lines|superseded"],
        not_relevant=tally["lines|notRelevant"] + grouped.not_read + grouped.unnamed,
        other_types=grouped.not_read,
        unusable=tally["lines|unusable"],
        refused=tally["lines|refused"],
        rejected=tally["lines|rejected"],
        blank=grouped.blank,
        besides=tally["lines|contained"] + grouped.shared,
    )
    ends = lines.used + lines.superseded + lines.not_relevant + lines.unusable + lines.refused + lines.rejected + lines.blank
    assert ends == lines.read + lines.besides, f"{lines.read} lines and {lines.besides} besides, but {ends} ends"
    patients = {
        "assessed": tally["patients"],
        "refused": tally["patients|refused"],
        "nothing to assess": tally["patients|nothing"],
    }
    return Account(
        plan=plan,
        software=VERSION,
        rule_set=RULE_SET,
        as_of=order.request.as_of.isoformat(),
        earliest=before(order.request.as_of, order.request.lookback).isoformat(),
        scheme=order.request.options().pathway.scheme,
        files=dict(zip(order.files, grouped.lines, strict=False)),
        lines=lines,
        patients=patients,
        rejects=_below(tally, "reject|"),
        counts={
            name: number
            for name, number in sorted(tally.items())
            if not name.startswith(("reject|", "lines|")) and name != "people"
        },
    )


def _below(tally: Tally, before: str) -> dict[str, int]:
    found: dict[str, Any] = {name.removeprefix(before): number for name, number in tally.items() if name.startswith(before)}
    return dict(sorted(found.items(), key=lambda pair: (-pair[1], pair[0])))


def account_in(out: Path) -> Account | None:
    """The account that stands in a folder. Raises OSError where it cannot be read."""
    try:
        return msgspec.json.decode((out / NAME).read_bytes(), type=Account)
    except (FileNotFoundError, msgspec.MsgspecError):
        return None


def finished(out: Path, plan: str) -> Account | None:
    """The same, when it is that of this plan."""
    known = account_in(out)
    return known if known is not None and known.plan == plan else None
