"""From bytes to the resources in them: Bundles, Parameters, single resources and lines of them, with every structural fault on the way.

There are two ways through a document, and they read the same. The quick one decodes a Bundle in the usual form in one pass. Whatever is not
in order for it (a null, an element of the wrong type, an unknown element around the resources, a rarer form), and every document that is
to be checked, goes the careful way: parsed into a tree that is judged resource by resource, while what is read still comes from the bytes.

What the quick way cannot see at no cost is left to the check: a property that stands twice, and an unknown element inside a resource.
"""

from collections.abc import Callable, Iterable
from typing import Any

import msgspec
from msgspec import Raw, Struct

from sural.exam.finding import Source
from sural.intake import structure, wire
from sural.intake.text import is_utf8, parse
from sural.issues import Issue, Refused

MAX_BYTES = 25_000_000
MAX_ENTRIES = 20_000
READ_BUNDLES = ("collection", "transaction", "batch", "searchset", "document")
NOT_ALONE = wire.TYPES - {record.__name__ for record in wire.READ} - {"Bundle", "Parameters"}
"""The types of which a single resource says nothing of an examination."""

Item = Source  # an input resource; its record is None when its structure could not be read
Checker = Callable[[dict[str, Any], str], list[Issue]]
"""Judges one resource, given its tree and its path, against the whole of FHIR R4."""


class Document(Struct):
    """All resources of one input, the faults of structure, and the parameters that came with it."""

    items: list[Item]
    issues: list[Issue]
    parameters: "list[Parameter]" = []


class Parameter(Struct):
    """One parameter of a FHIR Parameters resource; its value whatever the type, and where it stands."""

    name: str
    value: Any = None
    resource: bytes = b""
    path: str = ""


def read_document(
    data: bytes,
    checker: Checker | None = None,
    max_bytes: int = MAX_BYTES,
    max_entries: int = MAX_ENTRIES,
    base: str = "",
) -> Document:
    """Read one Bundle, Parameters or single resource. Raises Refused when nothing in it can be read.

    `checker` adds a structural check of every resource against the whole of FHIR R4, beyond the elements that are read here. `base` is
    the FHIRPath under which the document stands in something larger.
    """
    if len(data) > max_bytes:
        raise Refused(Issue("input-too-large", diagnostics=f"limit: {max_bytes} bytes"))
    if not data.strip():
        raise Refused(Issue("empty-input"))
    reader = _Reader(max_entries, checker)
    kind = reader.document(data, base)
    if kind in NOT_ALONE:
        raise Refused(*reader.issues, Issue("resource-type-unsupported", kind))
    return Document(reader.items, reader.issues, reader.parameters)


def join_lines(lines: Iterable[tuple[int, bytes]], checker: Checker | None = None) -> Document:
    """Single resources that came as lines (one resource a line, as in Bulk Data) put together into one document."""
    reader = _Reader(MAX_ENTRIES, checker)
    for number, line in lines:
        first_item, first_issue = len(reader.items), len(reader.issues)
        try:
            reader.document(line, "")
        except Refused as refused:
            reader.issues.extend(refused.issues)
            if len(reader.items) == first_item:
                reader.items.append(Item(first_item, "", -1, None, ""))
        for item in reader.items[first_item:]:
            item.line = number
        reader.issues[first_issue:] = [msgspec.structs.replace(issue, line=number) for issue in reader.issues[first_issue:]]
    return Document(reader.items, reader.issues, reader.parameters)


class _RawBundle(Struct):
    entry: list[Raw] = []


class _RawEntry(Struct):
    resource: Raw = wire.NONE


class _RawParameters(Struct):
    parameter: list[_RawEntry] = []


_raw_bundle = msgspec.json.Decoder(_RawBundle)
_raw_entry = msgspec.json.Decoder(_RawEntry)
_raw_parameters = msgspec.json.Decoder(_RawParameters)


_KINDS = {record: record.__name__ for record in (*wire.READ, *wire.OTHERS)}


class _Reader:
    """Reads documents, and what stands in them, into one list of items."""

    def __init__(self, max_entries: int, checker: Checker | None) -> None:
        self.max_entries = max_entries
        self.checker = checker
        self.items: list[Item] = []
        self.issues: list[Issue] = []
        self.parameters: list[Parameter] = []

    def document(self, data: bytes, base: str) -> str:
        """Read one document and say its type; `base` is the FHIRPath under which it stands, empty for the input itself."""
        top = None if self.checker is not None else _decode(data)
        if isinstance(top, wire.Bundle):
            if self._quick_bundle(top, base or "Bundle"):
                return "Bundle"
        elif isinstance(top, wire.Parameters):
            if self._quick_parameters(top, base or "Parameters"):
                return "Parameters"
        elif top is not None:
            kind = type(top).__name__
            self.items.append(Item(len(self.items), base or kind, -1, None, kind, top))
            return kind
        return self._careful(parse(data), data, base)

    # the quick way: True when everything was in order, else nothing has been read

    def _quick_bundle(self, bundle: wire.Bundle, where: str) -> bool:
        if bundle.type not in READ_BUNDLES or len(bundle.entry) > self.max_entries:
            return False
        items, first = self.items, len(self.items)
        index = first
        for number, entry in enumerate(bundle.entry):
            record = entry.resource
            if record is not None:
                items.append(Item(index, where, number, entry.fullUrl, _KINDS[type(record)], record))
                index += 1
            elif not (entry.request or entry.response):
                del items[first:]
                return False
        if b"next" in bytes(bundle.link):
            self._further_pages(parse(bytes(bundle.link)), where)
        return True

    def _further_pages(self, links: Any, where: str) -> None:
        """A search result that is one page of several may lack the newest of anything."""
        for number, link in enumerate(links if isinstance(links, list) else ()):
            if isinstance(link, dict) and link.get("relation") == "next":
                self.issues.append(Issue("bundle-in-pages", f"{where}.link[{number}]"))

    def _quick_parameters(self, parameters: wire.Parameters, where: str) -> bool:
        values = [_values(parameter) for parameter in parameters.parameter]
        if any(len(given) > 1 for given in values) or any(bytes(one.resource)[:1] not in b"{" for one in parameters.parameter):
            return False
        for number, (parameter, given) in enumerate(zip(parameters.parameter, values, strict=True)):
            resource, path = bytes(parameter.resource), f"{where}.parameter[{number}]"
            if parameter.name == "exam" and resource:
                self.document(resource, f"{path}.resource")
            else:
                self.parameters.append(Parameter(parameter.name or "", given[0] if given else None, resource, path))
        return True

    # the careful way

    def _careful(self, tree: Any, data: bytes, base: str) -> str:
        if not isinstance(tree, dict):
            raise Refused(Issue("not-fhir", diagnostics="a JSON object is needed"))
        kind = tree.get("resourceType")
        if not isinstance(kind, str) or kind not in wire.TYPES:
            raise Refused(Issue("not-fhir", diagnostics="resourceType is missing or unknown"))
        where = base or kind
        if kind == "Bundle":
            self._careful_bundle(tree, data, where)
        elif kind == "Parameters":
            self._careful_parameters(tree, data, where)
        else:
            self._resource(tree, data, where, where, None)
        return kind

    def _careful_bundle(self, tree: dict[str, Any], data: bytes, where: str) -> None:
        entries = self._entries(tree, where)
        found = structure.frame_faults(tree, where, "Bundle", "entry")
        found += [
            issue
            for number, entry in enumerate(entries)
            if isinstance(entry, dict)
            for issue in structure.frame_faults(entry, f"{where}.entry[{number}]", "entry", "resource")
        ]
        if self.checker is not None:
            plain = [
                {key: value for key, value in entry.items() if key != "resource"} if isinstance(entry, dict) else {}
                for entry in entries
            ]
            known = {(issue.key, issue.expression) for issue in found}
            checked = self.checker({**tree, "entry": plain}, where)
            found += [issue for issue in checked if (issue.key, issue.expression) not in known]
        self.issues += found
        self._further_pages(tree.get("link"), where)
        for number, (entry, raw) in enumerate(zip(entries, _raw_bundle.decode(data).entry, strict=True)):
            self._entry(entry, bytes(raw), f"{where}.entry[{number}]", where)

    def _entries(self, tree: dict[str, Any], where: str) -> list[Any]:
        """The entries of a Bundle that can be read. Raises Refused for one that cannot."""
        entries, kind = tree.get("entry", []), tree.get("type")
        twice = structure.doubled(tree, where, ("resourceType", "type", "entry"))
        if twice:
            raise Refused(*twice)
        if kind not in READ_BUNDLES:
            path = structure.selecting(kind, f"{where}.type", where)
            raise Refused(Issue("bundle-type-unsupported", path) if kind is not None else Issue("element-missing", where, "type"))
        if not isinstance(entries, list):
            raise Refused(Issue("null-value", where) if entries is None else Issue("structure-invalid", f"{where}.entry"))
        if len(entries) > self.max_entries:
            raise Refused(Issue("too-many-entries", where, f"limit: {self.max_entries} entries"))
        if "implicitRules" in tree:
            raise Refused(Issue("modifier-extension", f"{where}.implicitRules"))
        return entries

    def _entry(self, entry: Any, raw: bytes, where: str, holder: str) -> None:
        path = f"{where}.resource"
        if not isinstance(entry, dict):
            key = "null-value" if entry is None else "structure-invalid"
            self.issues.append(Issue(key, structure.selecting(entry, where, holder), "needs an object"))
            self._unreadable(where)
        elif "resource" not in entry:
            if not entry.keys() <= wire.FRAMES["entry"]:
                self._unreadable(path)  # it may stand under the unknown name
            elif not entry.keys() & {"request", "response"}:
                self.issues.append(Issue("invariant-broken", where, "bdl-5: no resource, request or response"))
        elif structure.doubled(entry, where, ("resource",)):
            self._unreadable(path)
        elif entry.get("modifierExtension"):
            self.issues.append(Issue("modifier-extension", f"{where}.modifierExtension[0]"))
            self._unreadable(path)
        else:
            full_url = entry.get("fullUrl")
            resource = bytes(_raw_entry.decode(raw).resource)
            self._resource(entry["resource"], resource, path, where, full_url if isinstance(full_url, str) else None)

    def _unreadable(self, path: str, full_url: str | None = None, kind: str = "") -> None:
        self.items.append(Item(len(self.items), path, -1, full_url, kind))

    def _resource(self, tree: Any, data: bytes, path: str, holder: str, full_url: str | None) -> None:
        """Judge one resource and, when it is without fault, read it from its bytes."""
        kind = tree.get("resourceType") if isinstance(tree, dict) else None
        found = self._judge(tree, kind, path, holder)
        record: Any | None = None
        if not found:
            try:
                record = wire.resource_decoder.decode(data)
            except msgspec.ValidationError:  # of a property that stands twice only the last is in the tree
                found = [Issue("structure-invalid", path)]
        self.issues += found
        item = Item(len(self.items), path, -1, full_url, kind if isinstance(kind, str) else "", record)
        if record is None and kind in _TELLING:
            item.told = _told(tree)
        self.items.append(item)

    def _judge(self, tree: Any, kind: Any, path: str, holder: str) -> list[Issue]:
        if not isinstance(tree, dict):
            key = "null-value" if tree is None else "structure-invalid"
            return [Issue(key, structure.selecting(tree, path, holder), "needs an object")]
        if not isinstance(kind, str):
            return [Issue("element-missing", path, "resourceType")]
        if kind not in wire.TYPES:
            return [Issue("resource-type-unknown", path)]
        found = structure.nulls(tree, path) or structure.faults(tree, path)
        return found if found or self.checker is None else self.checker(tree, path)

    def _careful_parameters(self, tree: dict[str, Any], data: bytes, where: str) -> None:
        """Parameters are taken as a whole or not at all: a fault in them could change what is asked."""
        parameters = tree.get("parameter", [])
        found = structure.frame_faults(tree, where, "Parameters", "parameter")
        if not isinstance(parameters, list):
            found.append(Issue("null-value", where) if parameters is None else Issue("structure-invalid", f"{where}.parameter"))
            raise Refused(*found)
        found += [
            issue
            for number, parameter in enumerate(parameters)
            for issue in structure.parameter_faults(parameter, f"{where}.parameter[{number}]", where)
        ]
        if found:
            raise Refused(*dict.fromkeys(found))
        raws = _raw_parameters.decode(data).parameter
        for number, (parameter, raw) in enumerate(zip(parameters, raws, strict=True)):
            path = f"{where}.parameter[{number}]"
            if parameter.get("name") == "exam" and "resource" in parameter:
                self._careful(parameter["resource"], bytes(raw.resource), f"{path}.resource")
            else:
                values = [parameter[field] for field in VALUES if field in parameter]
                self.parameters.append(
                    Parameter(parameter.get("name", ""), values[0] if values else None, bytes(raw.resource), path)
                )


_TELLING = ("Observation", "Condition", "Procedure")
_TOLD = ("id", "status", "verificationStatus", "subject", "bodySite", "effectiveDateTime")
_DOUBTFUL = {"modifierExtension": [{"url": "structure-invalid"}]}


def _told(tree: dict[str, Any]) -> Any | None:
    """What is left to read of a resource that is at fault: of whom it is, of what, where and when; its value is not among it. None without a code."""
    parts = {"resourceType": tree["resourceType"], "code": tree.get("code"), **_DOUBTFUL}
    told = _decoded(parts)
    for name in _TOLD if told is not None else ():
        if name in tree:
            more = _decoded({**parts, name: tree[name]})
            if more is not None:
                parts[name], told = tree[name], more
    return told


def _decoded(parts: dict[str, Any]) -> Any | None:
    try:
        return wire.resource_decoder.decode(msgspec.json.encode(parts))
    except msgspec.MsgspecError:
        return None


VALUES = tuple(field for field in wire.Parameter.__struct_fields__ if field.startswith("value"))


def _values(parameter: wire.Parameter) -> list[Any]:
    return [value for field in VALUES if (value := getattr(parameter, field)) is not None]


def _decode(data: bytes) -> Any | None:
    """A document in the usual form and in order, or None."""
    if data.rfind(b"null") >= 0 or not is_utf8(data):  # searching from the end takes half the time
        return None
    try:
        return wire.document_decoder.decode(data)
    except (msgspec.MsgspecError, RecursionError):
        return None
