"""The 10 g monofilament: a site from its tries."""

from collections.abc import Mapping

TRIES = ("monofilament-try-1", "monofilament-try-2", "monofilament-try-3")
UNDECIDED = "undecided"


def site_result(tries: Mapping[str, str]) -> str:
    """`felt`, `not-felt` or `undecided` from up to three tries, by their code; a try that could not be obtained is left out.

    A site is not felt when two tries are wrong or could not be determined; felt when two are right, or when the very first is right
    (the examiner stops there) and not contradicted twice. Source: IWGDF monofilament procedure, two of three right or wrong (published
    source seen); stopping at one correct first try: NHANES 1999-2002 lower extremity component (published data file; this rule gives
    its filed count on every foot). Two wrong tries after a right one count as not felt: project choice, the worse reading.
    """
    results = list(tries.values())
    right = results.count("felt")
    if len(results) - right >= 2:
        return "not-felt"
    if right >= 2 or tries.get(TRIES[0]) == "felt":
        return "felt"
    return UNDECIDED
