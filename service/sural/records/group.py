"""Who belongs to a Group of a record system, and who joined it since the last pull."""

from collections.abc import Callable

from sural.records.faults import Unreadable
from sural.records.fetching import patient_id
from sural.records.http import Connection
from sural.records.since import PullLedger

MOST = 1_000_000


async def members(connection: Connection, id: str, remark: Callable[[str], None]) -> set[str]:
    """The patients of a group. Raises RecordsFault, also for a group that does not list its members: nobody would be due, and nobody notice."""
    group = await connection.read("Group", id)
    try:
        listed = [one for one in group.get("member", ()) if one.get("inactive") is not True]
        found = {patient_id(str(one["entity"].get("reference", "")), connection.base) for one in listed}
        in_part = group.get("quantity", 0) > len(group.get("member", ()))
    except (TypeError, KeyError, AttributeError):
        raise Unreadable("GET Group/{id}", "a group that cannot be read") from None
    if in_part or group.get("actual") is False:
        raise Unreadable("GET Group/{id}", "a group that does not list all its members")
    if not listed:
        remark("the group has no members")
    if None in found:
        remark("member of the group is not a patient of this system")
    return {one for one in found if one is not None}


def joined(ledger: PullLedger, source: str, members: set[str]) -> set[str]:
    """Who was not a member at the last pull; at the first one everybody. `keep` remembers them."""
    return members - set(ledger.open_work(ledger.begin_run(f"{source}#members", ""), MOST))


def keep(ledger: PullLedger, source: str, members: set[str]) -> None:
    """Remember who is a member now."""
    known = ledger.begin_run(f"{source}#members", "")
    before = set(ledger.open_work(known, MOST))
    ledger.put_off(known, sorted(members - before))
    for patient in sorted(before - members):
        ledger.done(known, patient, "left")
