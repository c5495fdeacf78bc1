"""A recall entry in words, for people who invite: one row of a table, and the same as CSV.

CSV: RFC 4180. A cell that a spreadsheet could take for a formula gets an apostrophe before it.
"""

from collections.abc import Iterable, Iterator
from datetime import date

from sural.answer.wording import in_sentence, listed, said_factor, said_urgency
from sural.footrisk.scheme import NOT_APPLICABLE, NOT_STRATIFIED
from sural.footrisk.schemes import SCHEMES
from sural.plan.pathway import SERVICES
from sural.recall.definitions import CHANGES, PLACES, REASONS, STATES
from sural.recall.deterioration import Change
from sural.recall.person import Entry, Referral

COLUMNS = (
    "patient", "identifier_system", "identifier", "states", "review", "why", "feet_last_examined", "due_from", "due_by", "days_overdue",
    "scheme", "category_at_least", "category_could_be", "examine_to_settle", "referrals_not_seen", "referrals_due", "worse_since_last_time",
    "category_before",
)  # fmt: skip
NOT_SETTLED = "Not settled"
_FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n", "\uff1d", "\uff0b", "\uff0d", "\uff20")
_OUTSIDE = {NOT_APPLICABLE: "not applicable", NOT_STRATIFIED: "not stratified"}
_STATE = {"waiting": "nobody has taken it up", "booked": "booked", "refused": "refused or cancelled"}


def row(entry: Entry, as_of: date) -> tuple[str, ...]:
    """One entry as the cells of COLUMNS."""
    system, value = entry.identifier or ("", "")
    due = entry.due
    return (
        entry.subject,
        system,
        value,
        said_states(entry),
        PLACES[entry.place].display.lower(),
        "; ".join(REASONS[reason].display for reason in entry.reasons),
        entry.examined.isoformat() if entry.examined else "never",
        due[0].isoformat() if due else "now" if entry.place == "lost" else "",
        due[1].isoformat() if due else "now" if entry.place == "lost" else "",
        str(entry.overdue_days(as_of) or "") if due else "",
        SCHEMES[entry.scheme].title if entry.scheme in SCHEMES else "not known",
        said_floor(entry),
        said_category(entry.scheme, entry.at_most),
        said_settle(entry),
        "; ".join(map(said_referral, entry.referrals)),
        "; ".join(one.due.isoformat() if one.due else "not dated" for one in entry.referrals),
        "; ".join(map(said_change, entry.changes)),
        said_category(entry.scheme, entry.not_ruled_out) if entry.not_ruled_out else "",
    )


def said_states(entry: Entry) -> str:
    """Everything that asks for something; the place of somebody of whom nothing does."""
    return "; ".join(STATES[state].display.lower() for state in entry.states) or PLACES[entry.place].display.lower()


def said_settle(entry: Entry) -> str:
    """What to examine so that the category is settled."""
    return " or ".join(listed([in_sentence(said_factor(factor)) for factor in one]) for one in entry.would_settle)


def said_category(scheme: str, code: str) -> str:
    """A category as the scheme calls it."""
    category = SCHEMES[scheme].categories.get(code) if scheme in SCHEMES else None
    return category.display if category else _OUTSIDE.get(code, "not known")


def said_floor(entry: Entry) -> str:
    """The category that is certain. Where that is no more than the lowest it is not named: nobody is to be filed under low risk by it."""
    scheme = SCHEMES.get(entry.scheme)
    if scheme is not None and not entry.settled and entry.at_least == scheme.lowest:
        return NOT_SETTLED
    return said_category(entry.scheme, entry.at_least)


def said_referral(one: Referral) -> str:
    """A referral that was not seen: to whom, how urgent, and where it stands."""
    return f"{SERVICES.get(one.service, one.service)} ({said_urgency(one.priority)}): {_STATE[one.state]}{', late' if one.late else ''}"


def said_change(change: Change) -> str:
    """A deterioration: what, of what, where."""
    of = SCHEMES[change.of].title if change.of in SCHEMES else change.of.replace("-", " ")
    telling = change.code in ("category-up", "newly-unsettled", "reach-rising")
    where = ", ".join(part for part in (of if telling else "", change.side) if part)
    return f"{CHANGES[change.code].display}{f' ({where})' if where else ''}"


def csv_lines(entries: Iterable[Entry], as_of: date) -> Iterator[str]:
    """The list as CSV: the head, then one line per entry."""
    yield _line(COLUMNS)
    for entry in entries:
        yield _line(tuple(map(harmless, row(entry, as_of))))


def harmless(cell: str) -> str:
    """A cell that no spreadsheet takes for a formula, also after blanks."""
    return f"'{cell}" if cell.lstrip(" \u00a0").startswith(_FORMULA) or cell.startswith(("\t", "\r", "\n")) else cell


def _line(cells: Iterable[str]) -> str:
    """Cells as RFC 4180 writes them: between quotes where a comma, a quote or a line's end is in them."""
    quoted = ('"' + cell.replace('"', '""') + '"' if any(sign in cell for sign in ',"\r\n') else cell for cell in cells)
    return ",".join(quoted) + "\r\n"
