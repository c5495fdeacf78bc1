"""Watches what a test leaves in logs, on standard error, in warnings and in errors, for anything of a patient's.

The markers are the invented people of the fixtures and builders: names, birth dates, identifiers, ids, and every finding's code together
with one of its adverse answers. Rules: interop 2.17 P2, 2.3 C5, 2.13 L5.
"""

import io
import logging
import re
import sys
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache
from pathlib import Path
from typing import Any, TextIO

import httpx
import orjson
import pytest

from sural.answer import accounts
from sural.doors.cases import cases
from sural.issues import Issue
from sural.terminology.dictionary import concepts

EXEMPT = "shows_patient_data"
"""The mark of a test whose subject is the detector itself, or output that the user asked for on standard error."""
_LONG_ENOUGH = 4
_NEAR = 60
PEOPLE_OF_BUILDERS = ("1957-04-11",)


def _people(node: Any) -> Iterator[str]:
    """Names, birth dates, identifiers and ids of every Patient in a tree."""
    if isinstance(node, dict):
        if node.get("resourceType") == "Patient":
            yield from (str(node.get(name, "")) for name in ("id", "birthDate"))
            for name in _list(node.get("name")):
                yield from (str(part) for part in (name.get("family", ""), name.get("text", ""), *_list(name.get("given"))))
            yield from (str(one.get("value", "")) for one in _list(node.get("identifier")) if isinstance(one, dict))
        for value in node.values():
            yield from _people(value)
    elif isinstance(node, list):
        for value in node:
            yield from _people(value)


def _list(value: Any) -> list[Any]:
    return value if isinstance(value, list) else []


def _tree(path: Path) -> Any:
    try:
        return orjson.loads(path.read_bytes())
    except orjson.JSONDecodeError:
        return None


@cache
def markers() -> frozenset[str]:
    """Everything that identifies an invented person."""
    found = {*PEOPLE_OF_BUILDERS}
    for case in cases():
        found |= set(_people(_tree(case.input)))
    return frozenset(one for one in found if len(one) >= _LONG_ENOUGH)


@cache
def _identifying() -> re.Pattern[str]:
    words = "|".join(re.escape(one) for one in sorted(markers(), key=len, reverse=True))
    return re.compile(rf"(?<![\w-])(?:{words})(?![\w-])")


@cache
def _clinical() -> re.Pattern[str]:
    """A finding's code with one of its adverse answers close behind."""
    parts = []
    for concept in concepts().values():
        adverse = concept.answers[concept.reassuring :]
        if adverse:
            parts.append(
                rf"(?<![\w-]){re.escape(concept.code)}(?![\w-]).{{1,{_NEAR}}}?(?<![\w-])(?:{'|'.join(map(re.escape, adverse))})(?![\w-])"
            )
    return re.compile("|".join(parts))


def leaks(text: str) -> list[str]:
    """What of a patient's stands in a text."""
    return [found.group() for found in (_identifying().search(text), _clinical().search(text)) if found]


class Watch(logging.Handler):
    """What a test left behind, as (where, text)."""

    def __init__(self) -> None:
        super().__init__(logging.NOTSET)
        self.seen: list[tuple[str, str]] = []

    def emit(self, record: logging.LogRecord) -> None:
        if record.name.startswith("hypothesis"):
            return
        text = logging.Formatter("%(message)s").format(record)  # with the traceback, if there is one
        self.seen.append((f"log {record.name}", text))

    def note(self, where: str, text: str) -> None:
        self.seen.append((where, text))

    def found(self) -> list[str]:
        """Each leak, with where it stands."""
        return [f"{where}: {leak!r}" for where, text in self.seen for leak in leaks(text)]


class _Tee(io.TextIOBase):
    """Standard error that is noted as well."""

    def __init__(self, inner: TextIO, watch: Watch) -> None:
        self._inner, self._watch = inner, watch

    def write(self, text: str) -> int:
        self._watch.note("standard error", text)
        return self._inner.write(text)

    def flush(self) -> None:
        self._inner.flush()

    def __getattr__(self, name: str) -> Any:
        return getattr(self._inner, name)


@contextmanager
def watching() -> Iterator[Watch]:
    """Notes log records of every level, standard error, warnings, the diagnostics of every issue, and links in answers."""
    watch = Watch()
    root, level, stderr, write_issue = logging.getLogger(), logging.getLogger().level, sys.stderr, accounts._issue
    show, send = warnings.showwarning, httpx.Client.send

    def noted_issue(issue: Issue) -> dict[str, Any]:
        watch.note("an issue", f"{issue.key} {issue.expression} {issue.diagnostics}")
        return write_issue(issue)

    def noted_warning(message: Any, *arguments: Any, **more: Any) -> None:
        watch.note("a warning", str(message))
        show(message, *arguments, **more)

    def noted_answer(response: httpx.Response) -> httpx.Response:
        for link in re.findall(r'"(?:url|fullUrl)": ?"(http[^"]*\?[^"]*)"', response.text if response.is_stream_consumed else ""):
            watch.note("the address of a page", link)
        return response

    def sending(client: httpx.Client, request: httpx.Request, **more: Any) -> httpx.Response:
        return noted_answer(send(client, request, **more))

    root.addHandler(watch)
    root.setLevel(logging.DEBUG)
    sys.stderr = _Tee(stderr, watch)  # type: ignore[assignment]
    accounts._issue = noted_issue
    warnings.showwarning = noted_warning
    httpx.Client.send = sending  # type: ignore[method-assign]
    try:
        yield watch
    finally:
        root.removeHandler(watch)
        root.setLevel(level)
        if isinstance(sys.stderr, _Tee):
            sys.stderr = stderr
        accounts._issue = write_issue
        warnings.showwarning = show
        httpx.Client.send = send  # type: ignore[method-assign]


@pytest.hookimpl(wrapper=True)
def pytest_runtest_call(item: pytest.Item) -> Iterator[None]:
    """Every test of the suite fails that leaves something of a patient's behind."""
    if item.get_closest_marker(EXEMPT):
        yield
        return
    with watching() as watch:
        yield
    found = watch.found()
    if found:
        pytest.fail(f"patient data left behind: {'; '.join(found[:5])}", pytrace=False)
