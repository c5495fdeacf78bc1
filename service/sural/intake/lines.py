"""Input that comes as lines (NDJSON): which input does, and the documents in it. One bad line never costs another."""

from collections.abc import Iterator

import msgspec
from msgspec import Raw, Struct

from sural.intake.documents import Checker, Document, join_lines, read_document
from sural.issues import Refused


class _Kind(Struct):
    resourceType: str | None = None


_kind = msgspec.json.Decoder(_Kind)
_any = msgspec.json.Decoder(Raw)


def read_all(
    data: bytes, checker: Checker | None = None, declared: bool = False
) -> Iterator[tuple[int | None, Document | Refused]]:
    """Each document of an input, or why it cannot be read, with the number of its line.

    A line that holds a whole document stands by itself; lines that hold single resources (as in Bulk Data) are put together into one
    document, which comes last. `declared` says that the sender calls the input NDJSON.
    """
    single: list[tuple[int, bytes]] = []
    for number, line in lines(data, declared):
        if number is not None and not _is_document(line):
            single.append((number, line))
            continue
        try:
            yield number, read_document(line, checker)
        except Refused as refused:
            yield number, Refused(*(msgspec.structs.replace(issue, line=number) for issue in refused.issues))
    if single:
        yield None, join_lines(single, checker)


def lines(data: bytes, declared: bool = False) -> Iterator[tuple[int | None, bytes]]:
    """Split NDJSON into (line number, line); a single JSON document comes as one with no number.

    An input comes as lines when it has several that are not blank, is not one JSON document, and is called NDJSON by its sender or
    looks like it: its first line is a whole object, or one of them is and at least half of them begin like one.
    """
    found = [(number, line) for number, line in enumerate(data.splitlines(), 1) if line.strip()]
    if len(found) > 1 and _come_as_lines(data, [line for _, line in found], declared):
        yield from found
    else:
        yield None, data


def _come_as_lines(data: bytes, found: list[bytes], declared: bool) -> bool:
    if _is_object(found[0]):
        return True
    if declared:
        return not _is_json(data)
    starts = [line for line in found if line.lstrip()[:1] == b"{"]
    return 2 * len(starts) >= len(found) and any(map(_is_object, starts)) and not _is_json(data)


def _is_object(line: bytes) -> bool:
    return line.lstrip()[:1] == b"{" and line.rstrip()[-1:] == b"}" and _is_json(line)


def _is_json(data: bytes) -> bool:
    try:
        _any.decode(data)
    except (msgspec.MsgspecError, RecursionError):
        return False
    return True


def _is_document(line: bytes) -> bool:
    """Whether a line stands by itself: a document, or nothing that could be put together with others."""
    try:
        kind = _kind.decode(line).resourceType
    except (msgspec.MsgspecError, RecursionError):
        return True
    return kind in ("Bundle", "Parameters", "QuestionnaireResponse") or kind is None
