"""From bytes to the resources in them: Bundles, Parameters, single resources and NDJSON, with every structural fault on the way."""

from collections.abc import Callable, Iterable, Iterator
from typing import Any, Protocol

import msgspec
import orjson
from msgspec import Raw, Struct

from sural.exam.finding import Source
from sural.intake import structure, wire
from sural.issues import Issue, Refused

MAX_BYTES = 25_000_000
MAX_ENTRIES = 20_000
READ_BUNDLES = ("collection", "transaction", "batch", "searchset", "document")


Item = Source  # an input resource; its record is None when its structure could not be read


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


class _Parameter(Struct):
    name: str | None = None
    valueCode: str | None = None
    valueString: str | None = None
    valueDate: str | None = None
    valueDateTime: str | None = None
    valueUri: str | None = None
    valueCanonical: str | None = None
    valueBoolean: bool | None = None
    resource: Raw = wire.NONE


class _Parameters(Struct):
    parameter: list[_Parameter] = []


class _Top(Struct):
    """A Bundle in one pass; of any other resource only its type."""

    resourceType: str | None = None
    type: Any = None
    entry: list[wire.Entry] = []


_top_decoder = msgspec.json.Decoder(_Top)
_parameters_decoder = msgspec.json.Decoder(_Parameters)


def lines(data: bytes) -> Iterator[tuple[int | None, bytes]]:
    """Split NDJSON into (line number, line); a single JSON document comes as one with no number."""
    first, separator, rest = data.strip().partition(b"\n")
    if separator and rest.strip() and first.lstrip()[:1] == b"{" and _is_whole(first):
        for number, line in enumerate(data.splitlines(), 1):
            if line.strip():
                yield number, line
    else:
        yield None, data


def _is_whole(line: bytes) -> bool:
    try:
        msgspec.json.decode(line, type=Raw)
    except (msgspec.MsgspecError, RecursionError):
        return False
    return line.rstrip()[-1:] == b"}"


Checker = Callable[[bytes], "Checked"]


class Checked(Protocol):
    """A document that was parsed with care: its tree, and the faults of any resource in it."""

    tree: Any

    def faults(self, resource: dict[str, Any], path: str) -> list[Issue]: ...


def read_document(
    data: bytes, checker: Checker | None = None, max_bytes: int = MAX_BYTES, max_entries: int = MAX_ENTRIES
) -> Document:
    """Read one Bundle, Parameters or single resource. Raises Refused when nothing in it can be read.

    `checker` adds a structural check of every resource against the whole of FHIR R4, beyond the elements that are read here.
    """
    if len(data) > max_bytes:
        raise Refused(Issue("input-too-large", diagnostics=f"limit: {max_bytes} bytes"))
    if not data.strip():
        raise Refused(Issue("empty-input"))
    reader = _Reader(max_entries, checker)
    reader.document(data, "")
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


class _Reader:
    def __init__(self, max_entries: int, checker: Checker | None) -> None:
        self.max_entries = max_entries
        self.checker = checker
        self.checked: Checked | None = None
        self.items: list[Item] = []
        self.issues: list[Issue] = []
        self.parameters: list[Parameter] = []

    def document(self, data: bytes, base: str) -> None:
        """Read one document; `base` is the FHIRPath under which it stands, empty for the input itself."""
        if self.checker is not None:
            outer, self.checked = self.checked, self.checker(data)
            self.tree(self.checked.tree, base)
            self.checked = outer
            return
        if b"null" in data:
            self.tree(_tree(data), base)
            return
        try:
            top = _top_decoder.decode(data)
        except msgspec.ValidationError:
            self.tree(_tree(data), base)
            return
        except msgspec.DecodeError as fault:
            raise Refused(Issue("not-json", diagnostics=str(fault))) from None
        except RecursionError:
            raise Refused(Issue("too-deep")) from None
        except UnicodeDecodeError:
            raise Refused(Issue("not-json", diagnostics="not UTF-8")) from None
        if top.resourceType == "Bundle":
            self._check_bundle(top.type, len(top.entry), base)
            where, items = base or "Bundle", self.items
            for number, entry in enumerate(top.entry):
                record = entry.resource
                if record is not None:
                    items.append(Item(len(items), where, number, entry.fullUrl, type(record).__name__, record))
        elif top.resourceType == "Parameters":
            self.read_parameters(data, base)
        else:
            self.tree(_tree(data), base)

    def tree(self, tree: Any, base: str) -> None:
        """Read a document that is not a plain well-formed Bundle, resource by resource, collecting every fault."""
        if not isinstance(tree, dict):
            raise Refused(Issue("not-fhir", diagnostics="a JSON object is needed"))
        kind = tree.get("resourceType")
        if not isinstance(kind, str) or kind not in wire.TYPES:
            raise Refused(Issue("not-fhir", diagnostics="resourceType is missing or unknown"))
        where = base or kind
        if kind == "Bundle":
            entries = tree.get("entry", [])
            if not isinstance(entries, list):
                raise Refused(Issue("structure-invalid", f"{where}.entry"))
            self._check_bundle(tree.get("type"), len(entries), base)
            for number, entry in enumerate(entries):
                self._entry(entry, f"{where}.entry[{number}]")
        elif kind == "Parameters":
            faults = structure.nulls(tree, where)
            if faults:
                raise Refused(*faults)
            self.read_parameters(orjson.dumps(tree), base)
        else:
            self._resource(tree, where, None)

    def _entry(self, entry: Any, where: str) -> None:
        if not isinstance(entry, dict):
            self.issues.append(Issue("structure-invalid" if entry is not None else "null-value", where))
            self.items.append(Item(len(self.items), where, -1, None, ""))
            return
        if "resource" not in entry:
            return
        full_url = entry.get("fullUrl")
        self._resource(entry["resource"], f"{where}.resource", full_url if isinstance(full_url, str) else None)

    def _resource(self, tree: Any, path: str, full_url: str | None) -> None:
        record: Any | None = None
        kind = tree.get("resourceType") if isinstance(tree, dict) else None
        if not isinstance(tree, dict):
            self.issues.append(Issue("structure-invalid" if tree is not None else "null-value", path))
        elif not isinstance(kind, str):
            self.issues.append(Issue("element-missing", path, "resourceType"))
        elif kind not in wire.TYPES:
            self.issues.append(Issue("resource-type-unknown", path))
        else:
            faults = structure.nulls(tree, path) or structure.faults(tree, path)
            if self.checked is not None:
                faults = faults or self.checked.faults(tree, path)
            self.issues.extend(faults)
            if not faults:
                record = wire.resource_decoder.decode(orjson.dumps(tree))
        self.items.append(Item(len(self.items), path, -1, full_url, kind if isinstance(kind, str) else "", record))

    def read_parameters(self, data: bytes, base: str) -> None:
        """Read a Parameters resource: `exam` parameters hold the input, the others are kept for the request."""
        where = base or "Parameters"
        try:
            parameters = _parameters_decoder.decode(data).parameter
        except msgspec.ValidationError as fault:
            raise Refused(Issue("structure-invalid", where, str(fault))) from None
        for number, parameter in enumerate(parameters):
            path = f"{where}.parameter[{number}]"
            values = [getattr(parameter, field) for field in parameter.__struct_fields__ if field.startswith("value")]
            value = next((value for value in values if value is not None), None)
            resource = bytes(parameter.resource)
            if parameter.name == "exam" and resource:
                self.document(resource, f"{path}.resource")
            else:
                self.parameters.append(Parameter(parameter.name or "", value, resource, path))

    def _check_bundle(self, kind: Any, entries: int, base: str) -> None:
        where = base or "Bundle"
        if kind not in READ_BUNDLES:
            found = Issue("element-missing", where, "type") if kind is None else Issue("bundle-type-unsupported", f"{where}.type")
            raise Refused(found)
        if entries > self.max_entries:
            raise Refused(Issue("too-many-entries", where, f"limit: {self.max_entries} entries"))


def _tree(data: bytes) -> Any:
    try:
        return orjson.loads(data)
    except orjson.JSONDecodeError as fault:
        key = "too-deep" if "ecursion" in str(fault) else "not-json"
        raise Refused(Issue(key, diagnostics=f"line {fault.lineno}, column {fault.colno}")) from None
    except RecursionError:
        raise Refused(Issue("too-deep")) from None
