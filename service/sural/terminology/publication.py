"""Finds and reads the published FHIR resources: in the installed package, or in the folders of a checkout."""

from functools import cache
from pathlib import Path
from typing import Any, Literal

import orjson

Shelf = Literal["terminology", "profiles", "cases"]
_PACKAGE = Path(__file__).parent.parent / "published"
_CHECKOUT = Path(__file__).parents[3]
_IN_CHECKOUT = {"terminology": "terminology/fhir", "profiles": "profiles/fhir", "cases": "fixtures/cases"}


def folder(shelf: Shelf) -> Path:
    """The folder that holds the published resources of a kind."""
    packaged = _PACKAGE / shelf
    return packaged if packaged.is_dir() else _CHECKOUT / _IN_CHECKOUT[shelf]


@cache
def read(resource_type: str, name: str) -> dict[str, Any]:
    """One published terminology resource by type and name. Raises FileNotFoundError when there is none."""
    resource: dict[str, Any] = orjson.loads((folder("terminology") / f"{resource_type}-{name}.json").read_bytes())
    return resource
