"""The same resource more than once: its latest version is read, and both where nothing says which is later."""

from typing import Any

import msgspec
from msgspec import Struct

from sural.exam.moment import moment
from sural.intake.documents import Document, Item
from sural.intake.references import identity
from sural.issues import Issue


class _Superseded(Struct):
    id: str | None = None


SUPERSEDED = _Superseded()
"""The record of an item that a later version has replaced."""


def latest_versions(document: Document) -> list[Item]:
    """The items; of a resource that stands more than once, all but the latest version lose their record."""
    urls = {item.full_url for item in document.items}
    if len(urls) == len(document.items) and None not in urls and "/_history/" not in "".join(filter(None, urls)):
        return document.items
    if urls == {None} and len({(item.type, item.record.id or "") for item in document.items if item.record}) == len(document.items):
        return document.items
    standing: dict[str, list[Item]] = {}
    for item in document.items:
        name = identity(item)
        if item.record is None or not name:
            continue
        others = standing.setdefault(name, [])
        for other in list(others):
            later = _later(item, other)
            if later is None:
                document.issues.append(Issue("version-unclear", item.path, line=item.line))
                continue
            older = other if later is item else item
            document.issues.append(Issue("duplicate-resource", older.path, line=older.line))
            older.record = SUPERSEDED
            if older is item:
                break
            others.remove(other)
        if item.record is not SUPERSEDED:
            others.append(item)
    return document.items


def _later(one: Item, other: Item) -> Item | None:
    """The later version of two; the first of two that are the same; None when they differ and nothing says which is later."""
    mine, theirs = _version(one.record), _version(other.record)
    if mine != theirs:
        return one if mine > theirs else other
    same = msgspec.json.encode(one.record) == msgspec.json.encode(other.record)
    return (one if one.index < other.index else other) if same else None


def _version(record: Any) -> tuple[float, int, str]:
    """When a version was stored, and its number."""
    meta = getattr(record, "meta", None)
    if meta is None:
        return 0.0, 0, ""
    stored = moment(meta.lastUpdated) if meta.lastUpdated else None
    version = meta.versionId or ""
    return stored.start if stored else 0.0, int(version) if version.isdecimal() and version.isascii() else 0, version
