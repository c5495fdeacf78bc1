"""SMART scopes of a back-end service: what to ask for, and what was granted of it.

Version 2 names interactions in the order c-r-u-d-s; version 1 says read or write. SMART App Launch 2, "Scopes and launch context".
"""

import re
from collections.abc import Iterable

_SCOPE = re.compile(r"system/(\*|[A-Z][A-Za-z]+)\.(read|write|\*|c?r?u?d?s?)(\?.*)?")
_OLD = {"read": "rs", "write": "cud", "*": "cruds"}


def scopes(read: Iterable[str], write: Iterable[str] = (), old: bool = False) -> str:
    """The scopes to read and search some types, and to write others as well."""
    if old:
        return " ".join([f"system/{kind}.read" for kind in read] + [f"system/{kind}.write" for kind in write])
    wanted = dict.fromkeys(read, "rs")
    for kind in write:
        wanted[kind] = "crus"
    return " ".join(f"system/{kind}.{rights}" for kind, rights in wanted.items())


def well_formed(text: str) -> bool:
    """Whether every scope is one for a back-end service, with its interactions in order."""
    return bool(text.split()) and all((one := _SCOPE.fullmatch(scope)) and one[2] for scope in text.split())


def lacking(asked: str, granted: str) -> tuple[str, ...]:
    """The scopes asked for that are not wholly granted; one that is restricted to some of the data is not."""
    whole = " ".join(scope for scope in granted.split() if "?" not in scope or scope in asked.split())
    return tuple(scope for scope in asked.split() if not _covered(scope, whole))


def may(granted: str, kind: str, rights: str) -> bool:
    """Whether some interactions (letters of `cruds`) with a type are granted, whatever the granted scope restricts them to."""
    return _covered(f"system/{kind}.{rights}", granted)


def _covered(scope: str, granted: str) -> bool:
    asked = _SCOPE.fullmatch(scope)
    if asked is None:
        return scope in granted.split()
    open_rights = set(_OLD.get(asked[2], asked[2]))
    for given in filter(None, map(_SCOPE.fullmatch, granted.split())):
        if given[1] in ("*", asked[1]):
            open_rights -= set(_OLD.get(given[2], given[2]))
    return not open_rights
