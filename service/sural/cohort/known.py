"""Whom a run knows, for a recall list without a ledger: the facts of its answers, and of whom a record says why there is none.

The answers are those of one engine as of the other: one file, or a folder of parts.
"""

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import orjson

from sural.cohort.account import account_in
from sural.cohort.journal import UNFINISHED
from sural.recall.definitions import RECORD_REFUSED, RECORD_REMARKS
from sural.recall.facts import Answered, Fact, fact_of
from sural.recall.person import Known

Json = dict[str, Any]


class NoAnswers(Exception):
    """A folder from which nobody can be listed, and why."""


class Run:
    """A finished run in a folder. Raises NoAnswers where there is none, or where it wrote no answers."""

    def __init__(self, folder: Path) -> None:
        if (folder / UNFINISHED).exists():
            raise NoAnswers(f"{folder} holds a run that did not end: sural cohort assess --resume takes it up")
        try:
            account = account_in(folder)
        except OSError:
            account = None
        if account is None:
            raise NoAnswers(f"{folder} holds no finished run of sural cohort assess")
        self.account = account
        self._folder = folder
        if self.account.patients["assessed"] and not any(self._lines("answers")):
            raise NoAnswers(f"the run in {folder} wrote summaries only: a list needs the answers, so assess once without --without-answers")

    def known(self) -> Iterator[Known]:
        """Everybody who was assessed, then everybody of whom a record says why they were not, each once. Who was in the input with nothing to
        assess is only counted in the account."""
        answered: set[str] = set()
        for line in self._lines("answers"):
            one = _of_answer(orjson.loads(line))
            answered.add(one.subject)
            yield one
        remarks: dict[str, str] = {}
        for reject in map(orjson.loads, self._lines("rejects")):
            subject = reject.get("subject")
            if subject and subject not in answered:
                remarks[subject] = RECORD_REMARKS.get(reject["reason"]) or remarks.get(subject, RECORD_REFUSED)
        for subject, remark in remarks.items():
            yield Known(subject, (), remark)

    def _lines(self, name: str) -> Iterator[bytes]:
        path = self._folder / f"{name}.ndjson"
        for part in sorted(one for one in path.iterdir() if one.suffix == ".ndjson") if path.is_dir() else [path]:
            with part.open("rb") as lines:
                yield from lines


def _of_answer(answer: Json) -> Known:
    """The person of an answer Bundle, whose resources are named by their fullUrl."""
    subject, facts = "", list[Fact]()
    for entry in answer["entry"]:
        resource = entry["resource"]
        fact = fact_of(resource, entry["fullUrl"])
        if fact is not None:
            facts.append(fact)
        if isinstance(fact, Answered):
            subject = resource["subject"]["reference"]
    return Known(subject, tuple(facts))
