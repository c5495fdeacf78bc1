"""Keeping what is pulled in the ledger: the answers, whose findings were withdrawn since, and who is known at all."""

import asyncio
from collections.abc import Callable
from datetime import date

from sural.doors.assessor import Answered, transactions
from sural.exam.moment import before
from sural.issues import Refused
from sural.ledger.keeping import Standing, keep, standing, withdraw
from sural.ledger.knowing import Knowing
from sural.ledger.resources import Resources
from sural.ledger.store import Ledger
from sural.recall.definitions import RECORD_REFUSED, RECORD_REMARKS
from sural.records.evidence import instant, no_longer, still, withdrawn
from sural.records.http import Connection
from sural.records.outgoing import Outgoing
from sural.records.pull import Sink, Vanished

_REMARKS = {"gone": "record-gone", **RECORD_REMARKS}


class Keeper:
    """Keeps the answers of one record system, with its references as addresses there, before `then` gets them."""

    def __init__(
        self, connection: Connection, ledger: Ledger, remark: Callable[[str], None], then: Sink, then_vanished: Vanished | None = None
    ) -> None:
        self._connection = connection
        self._resources = Resources(ledger)
        self._knowing = Knowing(ledger)
        self._remark = remark
        self._then, self._then_vanished = then, then_vanished

    async def answered(self, patient: str, answered: Answered) -> None:
        """Keep an answer, and withdraw those of later examinations of which nothing is left. Raises RecordsFault."""
        oldest = before(answered.request.as_of, answered.request.lookback)
        for answer in transactions(answered):
            outgoing = Outgoing.of(answer)
            after = instant(outgoing.examined) if outgoing.inputs else float("-inf")
            gone, unused = await self._withdrawn(patient, after), await self._still(patient, outgoing, oldest)
            try:
                kept = await asyncio.to_thread(keep, self._resources, answer, self._connection.base, gone, None, unused)
            except Refused as refused:
                self._remark(f"not stored: {refused}")
            else:
                self._remark("stored" if kept.changed else "stored already")
                self._said(kept.left, len(gone))
        await self._then(patient, answered)

    async def vanished(self, patient: str) -> None:
        """A patient with nothing left to assess: withdraw the answers whose findings are gone. Raises RecordsFault."""
        gone = await self._withdrawn(patient, float("-inf"))
        kept = await asyncio.to_thread(withdraw, self._resources, self._subject(patient), gone)
        self._said(kept.left, len(gone))
        if self._then_vanished is not None:
            await self._then_vanished(patient)

    async def told(self, patient: str, what: str) -> None:
        """Know a patient, with what was found of the record as a whole."""
        remark = _REMARKS.get(what, RECORD_REFUSED) if what else ""
        await asyncio.to_thread(self._knowing.seen, self._subject(patient), remark)

    def _subject(self, patient: str) -> str:
        return f"{self._connection.base}/Patient/{patient}"

    async def _withdrawn(self, patient: str, after: float) -> list[str]:
        """The examinations after an instant whose newest findings are gone in the record system, and of which none is left."""
        found: list[Standing] = await asyncio.to_thread(standing, self._resources, self._subject(patient))
        return [
            one.examination
            for one in found
            if instant(one.examined) > after and await withdrawn(self._connection, one.inputs, one.examined, self._subject(patient))
        ]

    async def _still(self, patient: str, outgoing: Outgoing, oldest: date) -> frozenset[str]:
        """What the stored answer about the same examination rests on, the new one does not, and still stands in the record system, older than
        the look-back."""
        found: list[Standing] = await asyncio.to_thread(standing, self._resources, self._subject(patient))
        unused = {each for one in found if one.examination == outgoing.examination for each in no_longer(one.inputs, outgoing.inputs)}
        return await still(self._connection, sorted(unused), self._subject(patient), oldest)

    def _said(self, left: tuple[str, ...], withdrawn: int) -> None:
        for _ in range(withdrawn):
            self._remark("withdrawn in the ledger")
        for text in left:
            self._remark(f"left alone in the ledger: {text}")
