"""The JSON in which the ledger keeps resources: every decimal as it was written, since 1.50 is not 1.5.

Source: FHIR R4, data types, decimal ("the precision of the decimal value has significance").
"""

from decimal import Decimal
from typing import Any

import msgspec

_decoder = msgspec.json.Decoder(float_hook=Decimal)
_encoder = msgspec.json.Encoder(decimal_format="number")
_sorted = msgspec.json.Encoder(decimal_format="number", order="deterministic")


def read(content: bytes) -> Any:
    """The tree of a JSON text; what has a point or an exponent is a Decimal, whole numbers of any length are integers."""
    return _decoder.decode(content)


def written(tree: Any) -> bytes:
    """The JSON text of a tree; a Decimal keeps its digits."""
    return _encoder.encode(tree)


def alike(one: Any, other: Any) -> bool:
    """Whether two trees say the same, to the last digit; the order of properties says nothing."""
    return _sorted.encode(one) == _sorted.encode(other)
