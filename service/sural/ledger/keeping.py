"""Keeping answers in the ledger's own store: once, amended in place, later examinations replacing open proposals (decision 0013).

The rules are those of writing back into a record system, done in one transaction of the store. An answer is kept only when somebody asks
for it; assessing alone stores nothing.
"""

from collections.abc import Collection, Iterable
from typing import Any

import orjson
from msgspec import Struct
from sqlalchemy import Connection, select

from sural.answer.identity import ANSWER_SYSTEM, EXAMINATION_SYSTEM, SOFTWARE_SYSTEM
from sural.issues import Issue, Refused
from sural.ledger.knowing import Knowing
from sural.ledger.resources import ANSWER, Resources, Stored, Write, about, as_it_stands, by_identifier, new_id, stored
from sural.ledger.tables import IDENTIFIER, RESOURCE
from sural.recall.replacing import GROWN_OLD, replaced, says_otherwise, takes_back
from sural.records.evidence import instant as _instant
from sural.records.evidence import no_longer, short
from sural.records.outgoing import LEADING, PROVENANCE, SOFTWARE, Outgoing, Part, answers_of, identifier, when_effective
from sural.records.steps import linked

Json = dict[str, Any]
REQUEST = "ServiceRequest"
OPEN = ("active", "draft")
USABLE = ("final", "amended", "corrected", "preliminary")
ANSWER_TYPES = ("Observation", "RiskAssessment", REQUEST, "DetectedIssue", "DiagnosticReport")


class Standing(Struct, frozen=True):
    """An answer that stands: its examination, the time of its newest finding, and the references that it rests on."""

    examination: str
    examined: str
    inputs: frozenset[str]


class Kept(Struct, frozen=True):
    """What became of an answer: its resources as they stand, those that were created or changed, and what was left alone and why."""

    resources: tuple[Stored, ...]
    changed: tuple[Stored, ...]
    left: tuple[str, ...] = ()


def keep(
    resources: Resources, answer: Json | bytes, source: str = "", withdrawn: Collection[str] = (), held: Collection[str] | None = None,
    still: Collection[str] = (), known_as: Collection[str] | None = None,
) -> Kept:
    """Keep one patient's answer, a transaction Bundle of ours (`sural assess --as transaction`); the same again changes nothing.

    `source` is the address of the FHIR endpoint that its relative references belong to, such as `https://ehr.example/fhir`: they become
    absolute, so that two systems' patients with one id are not taken for one. `withdrawn` are other examinations of the patient of which no
    newest finding stands any more: their answers are entered in error. `held` are the references of all evidence in the input, where that
    may be a part of what there is; None where it is everything. `still` is evidence that stands where it came
    from and is too old for the answer to rest on: what only grew too old amends nothing. `known_as` are all identifiers of the persons in the
    input, as `system|value`, where a reference alone does not tell who somebody is. Raises NotOurs for anything else, Refused when the
    examination is another person's, and when the input is a part that would take back what the stored answer about the examination knows.
    """
    outgoing = Outgoing.of(answer)
    if source:
        tree = orjson.loads(answer) if isinstance(answer, bytes) else answer
        outgoing = Outgoing.of(_absolute(tree, source.rstrip("/")))
    if not outgoing.inputs:
        if known_as is not None and is_another(resources, outgoing.subject, {*known_as, *_named(outgoing.leading)}):
            raise Refused(Issue("person-differs"))
        Knowing(resources.ledger).seen(outgoing.subject)
        return Kept((), *_parts(withdraw(resources, outgoing.subject, withdrawn)))
    keeping = _Keeping(outgoing, withdrawn, held, still, known_as)
    made = resources.write(keeping.plan)
    changed = {one.reference: one for one in made}
    there = [changed.get(one, keeping.standing.get(one)) for one in keeping.links.values()]
    return Kept(tuple(one for one in there if one is not None), tuple(made), tuple(keeping.left))


def is_another(resources: Resources, subject: str, known_as: Collection[str]) -> bool:
    """Whether the answers that are stored under a reference are about a person with another identifier of a system that `known_as` has, as
    `system|value`: two record systems that send relative references may both have a Patient/1."""
    with resources.database.reading() as connection:
        return _is_another(_of_subject(connection, subject), known_as)


def withdraw(resources: Resources, subject: str, examinations: Collection[str]) -> Kept:
    """Enter the answers about some examinations of a patient in error, in new versions; what somebody else has taken up is left and said."""
    left: list[str] = []

    def plan(connection: Connection) -> list[Write]:
        left.clear()
        rows = _of_subject(connection, subject)
        return [write for one in rows if _examination(one) in examinations for write in _retracted(one, "entered-in-error", left)]

    made = resources.write(plan) if examinations else []
    return Kept((), tuple(made), tuple(left))


def standing(resources: Resources, subject: str) -> list[Standing]:
    """The answers about a patient that stand, oldest first."""
    with resources.database.reading() as connection:
        rows = _of_subject(connection, subject)
    inputs: dict[str, set[str]] = {}
    for one in rows:
        if one.type == "RiskAssessment" and (examination := _examination(one)):
            basis = (str(each["reference"]) for each in one.resource.get("basis", ()) if "reference" in each)
            inputs.setdefault(examination, set()).update(basis)
    found = [
        Standing(examination, when_effective(one.resource), frozenset(inputs.get(examination, ())))
        for one in rows
        if (examination := _examination(one, LEADING)) and one.resource["status"] in USABLE
    ]
    return sorted(found, key=lambda one: _instant(one.examined))


def withdrawn_by(resources: Resources, answer: Json | bytes, unusable: Collection[str]) -> list[str]:
    """The examinations of which an input takes back the findings: `unusable` are the references of those it declares unusable, and the answer
    is what is left. An earlier one is among them when all that it rests on was taken back. One that also rests on something that the input does
    not hold is not: nothing is known of that."""
    outgoing = Outgoing.of(answer)
    left, gone, mine = frozenset(outgoing.inputs), frozenset(unusable), _instant(outgoing.examined) if outgoing.inputs else float("-inf")
    return [
        one.examination
        for one in standing(resources, outgoing.subject)
        if (not outgoing.inputs or one.examination != outgoing.examination) and one.inputs & gone
        and (one.inputs <= gone or (_instant(one.examined) > mine and one.inputs <= left | gone))
    ]  # fmt: skip


def _parts(kept: Kept) -> tuple[tuple[Stored, ...], tuple[str, ...]]:
    return kept.changed, ("nothing was examined", *kept.left)


class _Keeping:
    """One answer on its way into the store."""

    def __init__(
        self, outgoing: Outgoing, withdrawn: Collection[str] = (), held: Collection[str] | None = None, still: Collection[str] = (),
        known_as: Collection[str] | None = None,
    ) -> None:
        self.known_as = known_as
        self.outgoing = outgoing
        self.still = frozenset(map(short, still))
        self.held = None if held is None else frozenset(map(short, held))
        self.withdrawn = frozenset(withdrawn) - {outgoing.examination}
        self.standing: dict[str, Stored] = {}
        self.links: dict[str, str] = {}
        self.left: list[str] = []

    def plan(self, connection: Connection) -> list[Write]:
        """What is to be written, given what is there."""
        outgoing = self.outgoing
        self.left.clear()
        there = {part.kind: found for part in outgoing.parts if (found := self._there(connection, part)) is not None}
        self.standing = {one.reference: one for one in there.values()}
        if any(not _same_person(part.resource, there[part.kind]) for part in outgoing.parts if part.kind in there):
            raise Refused(Issue("identifier-taken"))
        rows = _of_subject(connection, outgoing.subject)
        if self.known_as is not None and _is_another(rows, {*self.known_as, *_named(outgoing.leading)}):
            raise Refused(Issue("person-differs"))
        grown_old = self._has_grown_old(there, rows)
        ids = {part.kind: there[part.kind].id if part.kind in there else new_id() for part in outgoing.parts}
        self.links = {part.link: f"{part.type}/{ids[part.kind]}" for part in outgoing.parts}
        later, revoked = self._other_examinations(rows)
        if grown_old:
            self.left.append(GROWN_OLD)
            return revoked
        writes = [write for part in outgoing.parts if (write := self._part(part, there.get(part.kind), ids[part.kind], later))]
        return [*writes, *self._gone(connection), *revoked]

    def _has_grown_old(self, there: dict[str, Stored], rows: list[Stored]) -> bool:
        """Whether the answer takes something back only because of time: it rests on nothing new and says nothing else, and all that it does not
        rest on any more still stands where it came from. Raises Refused where the input lacks such findings, so that nobody can tell."""
        stands = there.get(LEADING)
        if stands is None or stands.resource["status"] not in USABLE:
            return False
        basis = [str(each.get("reference", "")) for one in there.values() for each in one.resource.get("basis", ())]
        missing = set(map(short, no_longer(basis, self.outgoing.inputs)))
        requests = [one.resource for one in rows if one.type == REQUEST and _examination(one) == self.outgoing.examination]
        if not missing or not takes_back(stands.resource, requests, self.outgoing.leading, self.outgoing.proposals):
            return False
        if self.held is not None and missing - self.held:
            raise Refused(Issue("examination-in-part"))
        is_new = no_longer(self.outgoing.inputs, basis) or says_otherwise(stands.resource, self.outgoing.leading)
        return missing <= self.still and not is_new

    def _there(self, connection: Connection, part: Part) -> Stored | None:
        if part.kind == SOFTWARE:
            system, _, value = str(identifier(part.resource, SOFTWARE_SYSTEM)).partition("|")
        elif part.kind == PROVENANCE:
            system, value = ANSWER_SYSTEM, self.outgoing.content
        else:
            system, _, value = str(part.lasting).partition("|")
        return by_identifier(connection, part.type, system, value)

    def _part(self, part: Part, there: Stored | None, id: str, later: "list[_Later]") -> Write | None:
        resource = linked(part.resource, self.links)
        overtaken = part.type == REQUEST and any(replaced(resource, one.leading, one.proposals, self.outgoing.leading) for one in later)
        if overtaken and resource["status"] in OPEN:
            resource["status"] = "revoked"
        if there is None:
            if part.kind == PROVENANCE and any(one.type != "Device" for one in self.standing.values()):
                coding = {"system": "http://terminology.hl7.org/CodeSystem/v3-DataOperation", "code": "UPDATE", "display": "revise"}
                resource["activity"] = {"coding": [coding]}
            return Write(resource, id=id, subject=None if part.kind == SOFTWARE else self.outgoing.subject, author=ANSWER)
        held = there.resource
        if part.kind in (SOFTWARE, PROVENANCE):
            return None
        retracted = held["status"] == "entered-in-error" or (held["status"] == "revoked" and not overtaken)
        if _has(held, part, self.outgoing) and not retracted and not _from_before(there, part):
            return None
        if part.type == REQUEST and there.author != ANSWER:
            self.left.append(f"{part.type}, {part.kind}: changed by somebody else")
            return None
        return Write(_amended(resource, held), there, author=ANSWER)

    def _gone(self, connection: Connection) -> Iterable[Write]:
        """What an earlier content of this examination had and this one has not: entered in error."""
        prefix = f"{self.outgoing.examination}-"
        named = select(IDENTIFIER.c.resource).where(
            IDENTIFIER.c.type.in_(ANSWER_TYPES), IDENTIFIER.c.system == EXAMINATION_SYSTEM,
            IDENTIFIER.c.value >= prefix, IDENTIFIER.c.value < f"{self.outgoing.examination}.",
        )  # fmt: skip
        for row in connection.execute(as_it_stands().where(RESOURCE.c.key.in_(named))):
            one = stored(row)
            if one.reference not in self.standing:
                yield from _retracted(one, "entered-in-error", self.left)

    def _other_examinations(self, rows: list[Stored]) -> tuple[list["_Later"], list[Write]]:
        """The later examinations of the patient that are there; and the open proposals of earlier ones that this one replaces, revoked."""
        revoked = [write for one in rows if _examination(one) in self.withdrawn for write in _retracted(one, "entered-in-error", self.left)]
        rows = [one for one in rows if one.type in (REQUEST, "Observation") and _examination(one) not in (self.outgoing.examination, *self.withdrawn)]
        leading = {exam: one.resource for one in rows if (exam := _examination(one, LEADING)) and one.resource["status"] in USABLE}
        proposals: dict[str | None, list[Stored]] = {}
        for one in rows:
            if one.type == REQUEST:
                proposals.setdefault(_examination(one), []).append(one)
        mine = _instant(self.outgoing.examined)
        later = [
            _Later(there, [one.resource for one in proposals.get(exam, ())]) for exam, there in leading.items() if _when(there) > mine
        ]
        own = _Later(self.outgoing.leading, self.outgoing.proposals)
        for exam, there in leading.items():
            if _when(there) < mine:
                for one in proposals.get(exam, ()):
                    if (held := one.resource)["status"] in OPEN and replaced(held, own.leading, own.proposals, there):
                        revoked += list(_retracted(one, "revoked", self.left))
        return later, revoked


class _Later(Struct, frozen=True):
    """A later answer: its Observation of the foot-risk category and its proposals."""

    leading: Json
    proposals: list[Json]


def _of_subject(connection: Connection, subject: str) -> list[Stored]:
    """Everything about a patient that belongs to an examination."""
    found = select(RESOURCE.c.key).where(RESOURCE.c.subject == subject, RESOURCE.c.type.in_(ANSWER_TYPES))
    return [stored(row) for row in connection.execute(as_it_stands().where(RESOURCE.c.key.in_(found)).order_by(RESOURCE.c.key))]


def _retracted(one: Stored, status: str, left: list[str]) -> Iterable[Write]:
    """What no longer holds, in a new version; a proposal that somebody else has changed is left and said."""
    held = one.resource
    if held["status"] in ("entered-in-error", "revoked"):
        return
    if one.type == REQUEST and one.author != ANSWER:
        left.append(f"{one.type}: changed by somebody else")
        return
    yield Write({**held, "status": status}, one, author=ANSWER)


def _same_person(resource: Json, there: Stored) -> bool:
    """Whether two resources are about one person: by the same reference, or by the same identifier."""
    mine, other = about(resource), there.subject
    if mine is None or other is None or mine == other:
        return True
    named = [_subject(one).get("identifier") for one in (there.resource, resource)]
    return named[0] is not None and named[0] == named[1]


def _is_another(rows: list[Stored], known_as: Collection[str]) -> bool:
    """Whether the newest of our resources that names its person by a system that `known_as` has, names another one."""
    systems = {one.partition("|")[0] for one in known_as}
    for one in sorted(rows, key=lambda one: one.sequence, reverse=True):
        named = _named(one.resource) if _examination(one) else []
        if named and named[0].partition("|")[0] in systems:
            return named[0] not in known_as
    return False


def _named(resource: Json) -> list[str]:
    """The identifier by which a resource names its person, as `system|value`; none where it does not."""
    named = _subject(resource).get("identifier", {})
    return [f"{named.get('system', '')}|{named['value']}"] if "value" in named else []


def _subject(resource: Json) -> Json:
    found: Json = resource.get("subject") or resource.get("patient") or {}
    return found


def _has(held: Json, part: Part, outgoing: Outgoing) -> bool:
    """Whether what is stored says this content: it is its answer identifier that is not an old one."""
    return any(
        one.get("system") == ANSWER_SYSTEM and one["value"] == f"{outgoing.content}-{part.kind}" and one.get("use") != "old"
        for one in held.get("identifier", ())
    )


def _from_before(there: Stored, part: Part) -> bool:
    """Whether what is stored was written by an earlier version, which said less of the same findings: it lacks extensions of the category."""
    known = {one.get("url") for one in there.resource.get("extension", ())}
    return part.kind == LEADING and there.author == ANSWER and not {one["url"] for one in part.resource.get("extension", ())} <= known


def _amended(resource: Json, held: Json) -> Json:
    """The new content; earlier identifiers stay, so that an old create that comes late finds it."""
    known = {one["value"] for one in resource["identifier"]}
    former = [{**one, "use": "old"} for one in held["identifier"] if one.get("system") == ANSWER_SYSTEM and one["value"] not in known]
    resource["identifier"] = [*resource["identifier"], *former]
    if resource["resourceType"] != REQUEST and resource["status"] == "final" and answers_of(held) - known:
        resource["status"] = "amended"
    return resource


def _examination(one: Stored, kind: str = "") -> str | None:
    """The examination that a resource is of; None where it has none, or is of another kind."""
    named = identifier(one.resource, EXAMINATION_SYSTEM)
    if named is None:
        return None
    examination, _, own = named.partition("|")[2].partition("-")
    return examination if not kind or own == kind else None


def _when(resource: Json) -> float:
    return _instant(when_effective(resource))


def _absolute(tree: Any, source: str) -> Any:
    """A tree whose relative references are addresses under `source`."""
    if isinstance(tree, list):
        return [_absolute(one, source) for one in tree]
    if not isinstance(tree, dict):
        return tree
    return {
        name: f"{source}/{value}" if name == "reference" and ":" not in value else _absolute(value, source) for name, value in tree.items()
    }
