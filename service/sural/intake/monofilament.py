"""The 10 g monofilament: a site from its tries."""

from collections.abc import Iterable

TRIES = ("monofilament-try-1", "monofilament-try-2", "monofilament-try-3")
UNDECIDED = "undecided"


def site_result(tries: Iterable[str]) -> str:
    """`felt`, `not-felt` or `undecided` from up to three tries in order.

    A site is not felt when two tries are wrong or could not be determined; felt when two are right, or when the first is right and
    the examiner stopped there or was not contradicted twice. Source: IWGDF monofilament procedure, two of three right or wrong
    (published source seen); stopping at one correct first try: NHANES 1999-2002 lower extremity component (published data file,
    reproduces its filed counts). Two wrong tries after a right one count as not felt: project choice, the worse reading.
    """
    results = list(tries)
    right = results.count("felt")
    wrong = len(results) - right
    if wrong >= 2:
        return "not-felt"
    if right >= 2 or (results and results[0] == "felt"):
        return "felt"
    return UNDECIDED
