"""The ankle-brachial index: its limits, and which of two is the worse.

Source: NICE guideline CG147, Peripheral arterial disease; the limits' own citations stand with the rules that use them.
"""

from decimal import Decimal

INDEX_LOW = Decimal("0.9")
INDEX_INCOMPRESSIBLE = Decimal("1.3")


def adverse_index(index: Decimal) -> tuple[int, Decimal]:
    """A sort key: low indexes last; before them those above 1.3, of an artery that does not give way, which cannot be told from low ones."""
    return 2 if index < INDEX_LOW else 1 if index > INDEX_INCOMPRESSIBLE else 0, -index
