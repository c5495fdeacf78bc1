"""Writing answers back: created once, corrected in place, withdrawn when what they rested on was.

An answer belongs to an examination: a patient and the day of the newest finding (decision 0013). The same answer again changes nothing.
Another answer for the same examination (an amended Observation, a late laboratory value, newer rules) amends the resources in place, so
that whoever holds a link to one finds the corrected version. A later examination gets an answer of its own, and proposals of the earlier
one that nobody has taken up are revoked. When every newest finding of an examination was withdrawn, its answer is entered in error.

A resource that somebody else has changed since, such as a proposal that was taken up, is left alone and said.
"""

import asyncio
from collections.abc import Collection, Iterator, Mapping
from datetime import date
from typing import Any

from msgspec import Struct
from msgspec.structs import replace

from sural.answer.identity import ANSWER_SYSTEM
from sural.ledger.answers import Answers, Noted, Place, State
from sural.ledger.store import Ledger
from sural.recall.replacing import GROWN_OLD, replaced, says_otherwise, takes_back
from sural.records.evidence import USABLE, instant, no_longer, still, withdrawn
from sural.records.faults import NotThere
from sural.records.held import Held
from sural.records.http import Connection
from sural.records.outgoing import LEADING, PROVENANCE, SOFTWARE, Outgoing, Part, answers_of
from sural.records.search import Searcher
from sural.records.steps import Capabilities, Done, Step, capabilities, create, linked, one_by_one, transact, version_of

Json = dict[str, Any]
REQUEST = "ServiceRequest"
SETTLED = ("acknowledged", "superseded")
WRITTEN_TYPES = ("Device", "Observation", "RiskAssessment", REQUEST, "DetectedIssue", "DiagnosticReport", "Provenance")
"""The types of resources that answers are made of."""
OPEN, RETRACTED = ("active", "draft"), ("entered-in-error", "revoked")


class Written(Struct, frozen=True):
    """What was done, or with a dry run would be: the steps in their order, and what was left alone and why."""

    steps: tuple[Step, ...] = ()
    left: tuple[str, ...] = ()

    def count(self, why: str) -> int:
        """How many steps had this reason: create, amend, withdraw, revoke."""
        return sum(step.why == why for step in self.steps)


class Writer:
    """Writes answers into one record system. `transactions` becomes False once the server has shown that it has none."""

    def __init__(
        self, connection: Connection, ledger: Ledger, searcher: Searcher | None = None, transactions: bool = True
    ) -> None:
        self.connection = connection
        self.answers = Answers(ledger, connection.base)
        self.transactions = transactions
        self._held = Held(searcher or Searcher(connection, lambda _: None))
        self._offered: Capabilities | None = None
        self._software: dict[str, Place] = {}
        self._looked: set[str] = set()
        self._alone = asyncio.Lock()

    async def write(self, answer: Json | bytes, dry_run: bool = False, oldest: date | None = None) -> Written:
        """Write one patient's answer, a transaction Bundle of ours. `oldest` is the first day of its look-back: without it
        a finding that stands and is not used any more counts as grown too old, whatever its day. Raises RecordsFault; doing it again goes on where it
        stopped."""
        whole = outgoing = Outgoing.of(answer)
        offered = await self._capabilities()
        not_taken: list[str] = []
        if offered.types is not None:
            outgoing = outgoing.limited(offered.types)
            not_taken = [f"{part.type}: not taken by this server" for part in whole.parts if part.type not in offered.types]
        noted = await self._noted(outgoing.subject)
        mine = next((one for one in noted if one.examination == outgoing.examination), None)
        present = whole if outgoing.inputs else None
        turned = [await self._turned(one, present) for one in noted if one.examination != outgoing.examination]
        steps = [step for one in turned for step in one.steps]
        left = [*not_taken, *(text for one in turned for text in one.left)]
        again = mine is not None and _stands_again(mine, turned)
        if outgoing.inputs and not (mine and mine.state in SETTLED and mine.content == outgoing.content and not again):
            if mine and await self._has_grown_old(mine, whole, oldest):
                left = [*left, GROWN_OLD]
            else:
                more = await self._for_this(mine, outgoing, again)
                steps, left = [*steps, *[step for step in more.steps if await self._needed(step)]], [*left, *more.left]
                if not dry_run:
                    await self._send(outgoing, mine, more)
        if not dry_run:
            for one in turned:
                await self._settle(one)
        return Written(tuple(steps), tuple(left))

    async def vanished(self, subject: str, dry_run: bool = False) -> Written:
        """A patient with nothing left to assess: withdraw the answers whose findings are gone. Raises RecordsFault."""
        turned = [await self._turned(one, None) for one in await self._noted(subject)]
        if not dry_run:
            for one in turned:
                await self._settle(one)
        return Written(tuple(step for one in turned for step in one.steps), tuple(text for one in turned for text in one.left))

    async def _noted(self, subject: str) -> list[Noted]:
        """The answers about a patient in the ledger. When it knows none they are looked for in the record system: it may have been lost."""
        noted = self.answers.of_subject(subject)
        if not noted and subject.startswith("Patient/"):
            noted = await self._held.answers(subject)
            for one in noted:
                self.answers.note(one)
        return noted

    async def _capabilities(self) -> Capabilities:
        """What the server takes, asked for once."""
        async with self._alone:
            if self._offered is None:
                self._offered = await capabilities(self.connection)
                self.transactions = self.transactions and self._offered.transactions is not False
        return self._offered

    # this examination

    async def _has_grown_old(self, mine: Noted, outgoing: Outgoing, oldest: date | None) -> bool:
        """Whether the answer takes something back of the one that was written only because of time: it rests on nothing new and says nothing else,
        and all that it does not rest on any more still stands."""
        missing = sorted(no_longer(mine.inputs, outgoing.inputs))
        there = await self._leading(mine) if missing and not no_longer(outgoing.inputs, mine.inputs) else None
        if there is None or there.get("status") not in USABLE or says_otherwise(there, outgoing.leading):
            return False
        requests = [found for one in mine.places if one.type == REQUEST and (found := await self._read(one)) is not None]
        if not takes_back(there, requests, outgoing.leading, outgoing.proposals):
            return False
        return len(await still(self.connection, missing, outgoing.subject, oldest)) == len(missing)

    async def _leading(self, entry: Noted) -> Json | None:
        """The Observation of the foot-risk category of an answer, as it stands."""
        place = next((one for one in entry.places if one.kind == LEADING and one.id), None)
        return await self._read(place) if place is not None else None

    async def _for_this(self, mine: Noted | None, outgoing: Outgoing, again: bool = False) -> "_Needed":
        """Create what is not there; amend what is, and retract what no longer holds. With `again` no later answer stands any more: proposals that
        were revoked for one are open again."""
        if mine is None:
            return _Needed(tuple(_create(part) for part in outgoing.parts))
        steps: list[Step] = []
        left: list[str] = []
        standing = await self._standing(mine, outgoing)
        places = {kind: Place(kind, there["resourceType"], str(there["id"]), version_of(there)) for kind, there in standing.items()}
        links = {part.link: places[part.kind].reference for part in outgoing.parts if part.kind in places}
        named = links | {part.link: place.reference for part in outgoing.parts for place in mine.places if part.kind == place.kind == SOFTWARE}
        for part in outgoing.parts:
            there = standing.get(part.kind)
            if part.kind == PROVENANCE and await self._held.find(part.type, part.condition, outgoing.subject):
                continue
            if there is None:
                steps.append(_create(part, links, amends=bool(standing)))
            elif f"{outgoing.content}-{part.kind}" in answers_of(there) and not (again and _revoked_by_us(there, mine)):
                continue
            elif _taken_up(there, mine):
                left.append(f"{part.type}, {part.kind}: changed by somebody else")
            else:
                steps.append(_amend(part, there, links))
        for kind, there in standing.items():
            if outgoing.part(kind) is None:
                steps += _retracted(kind, there, mine, "withdraw", left)
        return _Needed(tuple(steps), tuple(left), _places(mine, outgoing, standing, named))

    async def _standing(self, mine: Noted, outgoing: Outgoing) -> dict[str, Json]:
        """The resources of this examination that the record system holds, by kind: as kept, else as found by their identifiers."""
        found: dict[str, Json] = {}
        for place in mine.places:
            if place.kind not in (SOFTWARE, PROVENANCE) and (there := await self._read(place)) is not None:
                found[place.kind] = there
        for part in outgoing.parts:
            if part.kind not in found and part.lasting is not None:
                there = await self._held.find(part.type, f"identifier={part.lasting}", outgoing.subject)
                if there is not None:
                    found[part.kind] = there
        return found

    async def _read(self, place: Place) -> Json | None:
        if place.id is None:
            return None
        try:
            return await self.connection.read(place.type, place.id)
        except NotThere:
            return None

    async def _send(self, outgoing: Outgoing, mine: Noted | None, needed: "_Needed") -> None:
        """Send, first kept as being sent, then as written. A create that found something there already is looked at again."""
        inputs = frozenset(outgoing.inputs)
        entry = Noted(outgoing.subject, outgoing.examination, outgoing.content, outgoing.examined, "sent", inputs, needed.places)
        self.answers.note(entry)
        done = await self._do(list(needed.steps), entry)
        places = {place.kind: place for place in entry.places} | {one.step.kind: one.place for one in done}
        entry = replace(entry, places=tuple(places.values()))
        if mine is None and any(not one.changed and one.step.kind != SOFTWARE for one in done):
            self.answers.note(entry)
            again = await self._for_this(entry, outgoing)
            places |= {one.kind: one for one in again.places}
            places |= {one.step.kind: one.place for one in await self._do(list(again.steps), entry)}
        self.answers.note(replace(entry, state="acknowledged", places=tuple(places.values())))

    async def _do(self, steps: list[Step], entry: Noted) -> list[Done]:
        shared = [await self._shared(step) for step in steps if step.kind == SOFTWARE]
        links = {one.step.link: one.place.reference for one in shared}
        rest = [replace(step, resource=linked(step.resource, links)) for step in steps if step.kind != SOFTWARE]
        if not rest:
            return shared
        if self.transactions:
            done = await transact(self.connection, rest)
            if done is not None:
                return [*shared, *done]
            self.transactions = False
        places = {place.kind: place for place in entry.places}
        return [*shared, *await one_by_one(self.connection, self._held, _in_order(rest), places, entry.subject)]

    async def _shared(self, step: Step) -> Done:
        """The Device that all answers name: created once, before any of them, as first answers are written at the same time."""
        async with self._alone:
            if (place := self._software.get(step.condition)) is not None:
                return Done(step, place, False)
            done = await create(self.connection, self._held, step, "")
            self._software[step.condition] = done.place
        return done

    async def _needed(self, step: Step) -> bool:
        """Whether a step is to be said: that for the Device by the first answer only, and only when it is not there."""
        if step.kind != SOFTWARE:
            return True
        async with self._alone:
            first = step.condition not in self._looked
            self._looked.add(step.condition)
            return first and await self._held.find(step.type, step.condition, "") is None

    # other examinations of the patient

    async def _turned(self, entry: Noted, present: Outgoing | None) -> "_Turned":
        """What becomes of the answer of another examination, beside the present answer, None where nothing is left: withdrawn when its newest
        findings were, else its open proposals are revoked as far as a later answer replaces them."""
        later = present is None or instant(entry.examined) > instant(present.examined)
        if later and not await withdrawn(self.connection, entry.inputs, entry.examined, entry.subject):
            return _Turned(entry, entry.state)
        if not later and entry.state == "superseded":
            return _Turned(entry, "superseded")
        why = "withdraw" if later else "revoke"
        state: State = "withdrawn" if later else "superseded"
        steps: list[Step] = []
        left: list[str] = []
        if entry.state == "sent":
            entry = replace(entry, places=await self._all_places(entry))
        for place in entry.places:
            if place.kind in (SOFTWARE, PROVENANCE) or (why == "revoke" and place.type != REQUEST):
                continue
            there = await self._read(place)
            if there is None:
                continue
            if present is not None and not later and there.get("status") in OPEN and not await self._is_replaced(there, entry, present):
                state = entry.state
            else:
                steps += _retracted(place.kind, there, entry, why, left)
        return _Turned(entry, state, tuple(steps), tuple(left))

    async def _all_places(self, entry: Noted) -> tuple[Place, ...]:
        """Where an answer stands of which nobody knows whether all of it was written: as kept, and as found by its identifiers."""
        known = {place.kind for place in entry.places}
        found = await self._held.places(entry.subject, entry.examination)
        return (*entry.places, *(place for place in found if place.kind not in known))

    async def _is_replaced(self, proposal: Json, entry: Noted, present: Outgoing) -> bool:
        """Whether the present answer replaces an open proposal of an earlier one."""
        if not replaced(proposal, present.leading, present.proposals):
            return False
        return replaced(proposal, present.leading, present.proposals, await self._leading(entry))

    async def _settle(self, turned: "_Turned") -> None:
        """Carry out what was found for another examination, and keep that it was."""
        entry = turned.entry
        if turned.state == entry.state and not turned.steps:
            return
        done = {one.step.kind: one.place for one in await self._do(list(turned.steps), entry)}
        places = tuple(done.get(place.kind, place) for place in entry.places)
        if turned.state == "withdrawn":
            self.answers.withdraw(entry.examination)
        else:
            self.answers.note(replace(entry, state=turned.state, places=places))


class _Needed(Struct, frozen=True):
    """The steps that an answer takes, what is left alone and why, and where its resources stand already."""

    steps: tuple[Step, ...] = ()
    left: tuple[str, ...] = ()
    places: tuple[Place, ...] = ()


class _Turned(Struct, frozen=True):
    """The answer of another examination, the state it comes to, and the steps that takes."""

    entry: Noted
    state: State
    steps: tuple[Step, ...] = ()
    left: tuple[str, ...] = ()


def _stands_again(mine: Noted, turned: Collection[_Turned]) -> bool:
    """Whether an answer that a later one may have replaced is the newest again: what is later is withdrawn, or was before."""
    later = [one.state for one in turned if instant(one.entry.examined) > instant(mine.examined)]
    return all(state == "withdrawn" for state in later) and (bool(later) or mine.state == "superseded")


def _revoked_by_us(there: Json, mine: Noted) -> bool:
    """Whether a proposal is revoked in the version that we wrote; where a server has no versions nobody can tell."""
    written = next((place.version for place in mine.places if place.type == REQUEST and place.id == there["id"]), None)
    return there["resourceType"] == REQUEST and there.get("status") == "revoked" and written is not None and version_of(there) == written


def _create(part: Part, links: Mapping[str, str] | None = None, amends: bool = False) -> Step:
    """A create on the condition that nothing stands there for the same examination."""
    condition = f"identifier={part.lasting}" if part.lasting else part.condition
    resource = linked(part.resource, links or {})
    if amends and part.kind == PROVENANCE:
        coding = {"system": "http://terminology.hl7.org/CodeSystem/v3-DataOperation", "code": "UPDATE", "display": "revise"}
        resource = {**resource, "activity": {"coding": [coding]}}
    return Step("create", part.kind, resource, part.link, condition)


def _amend(part: Part, there: Json, links: Mapping[str, str]) -> Step:
    """The new content under the old id. Its earlier identifiers stay, so that an old create that comes late finds it."""
    resource = linked(part.resource, links) | {"id": there["id"]}
    former = [one | {"use": "old"} for one in there.get("identifier", ()) if one.get("system") == ANSWER_SYSTEM]
    known = {one["value"] for one in resource["identifier"]}
    resource["identifier"] = [*resource["identifier"], *(one for one in former if one["value"] not in known)]
    if part.type != REQUEST and resource["status"] == "final" and there.get("status") in USABLE:
        resource["status"] = "amended"
    return Step("amend", part.kind, resource, part.link, id=str(there["id"]), version=version_of(there))


def _places(mine: Noted, outgoing: Outgoing, standing: Mapping[str, Json], links: Mapping[str, str]) -> tuple[Place, ...]:
    """Where an answer stands: as kept, and what was found beside. After a lost reply the version there is taken for the one that was
    written where the resource is what was sent; of a proposal that is not, nobody knows who changed it."""
    places = {place.kind: place for place in mine.places}
    for kind, there in standing.items():
        part = outgoing.part(kind)
        mark = f"{outgoing.content}-{kind}"
        ours = there["resourceType"] != REQUEST or (
            part is not None and mark in answers_of(there) and _is_as_sent(there, linked(part.resource, links))
        )
        if ours or kind not in places:
            places[kind] = Place(kind, there["resourceType"], str(there["id"]), version_of(there) if ours else None)
    return tuple(places.values())


def _is_as_sent(there: Json, sent: Json) -> bool:
    """Whether a resource says what was sent and nothing else, beside what servers put in."""
    return all(there.get(name) == sent.get(name) for name in {*there, *sent} - {"id", "meta", "text", "identifier"})


def _retracted(kind: str, there: Json, entry: Noted, why: str, left: list[str]) -> Iterator[Step]:
    """What no longer holds: a proposal is revoked, or entered in error like everything else when what it rested on was."""
    if there.get("status") in RETRACTED:
        return
    if _taken_up(there, entry):
        left.append(f"{there['resourceType']}, {kind}: changed by somebody else")
        return
    status = "revoked" if why == "revoke" else "entered-in-error"
    yield Step(why, kind, there | {"status": status}, id=str(there["id"]), version=version_of(there))


def _taken_up(there: Json, entry: Noted) -> bool:
    """Whether somebody else has changed a proposal since it was written; results and assessments are ours to correct."""
    if there["resourceType"] != REQUEST:
        return False
    written = next((place.version for place in entry.places if place.type == REQUEST and place.id == there["id"]), None)
    if written is not None and version_of(there) is not None:
        return version_of(there) != written
    return there.get("status") not in (*OPEN, *RETRACTED)


def _in_order(steps: list[Step]) -> list[Step]:
    """Resources before those that link to them: as an answer has them, with the Provenance last."""
    return sorted(steps, key=lambda step: step.kind == PROVENANCE)


async def write_back(
    connection: Connection, answer: Json | bytes, ledger: Ledger, *, dry_run: bool = False, oldest: date | None = None
) -> Written:
    """Write one answer. For many, keep a `Writer`: it remembers whether the server has transactions."""
    return await Writer(connection, ledger).write(answer, dry_run, oldest)
