"""The house keeps its floors: what may import what, and that the core reaches no door, network, database, file or clock.

Design, "The flow" and "One pure core, many doors": from FHIR in to FHIR out there is no I/O, no clock and no randomness. The syntax tree
of every module is walked; nothing is executed for it.
"""

import ast
import builtins
import inspect
import socket
import subprocess
import sys
from collections.abc import Iterator
from datetime import date
from pathlib import Path
from typing import Any, NoReturn

import orjson
import pytest

import sural
from tests.builders import AS_OF, Exam

PACKAGE = Path(sural.__file__).parent
MODULES = sorted(PACKAGE.rglob("*.py"))
TREES = {path: ast.parse(path.read_text(encoding="utf-8")) for path in MODULES}

# Each floor, and the floors it may import. `canonical` and `issues` are plain tables that anyone may read.
FLOORS: dict[str, set[str]] = {
    "canonical": set(),
    "issues": set(),
    "evidence": set(),
    "terminology": {"canonical"},
    "exam": {"evidence", "terminology"},
    "intake": {"canonical", "issues", "exam", "terminology"},
    "footrisk": {"exam", "evidence", "terminology"},
    "neuropathy": {"exam", "evidence", "terminology"},
    "reasons": {"footrisk", "neuropathy"},
    "trend": {"evidence", "exam", "terminology", "footrisk", "neuropathy"},
    "plan": {"evidence", "exam", "footrisk", "neuropathy"},
    "answer": {"canonical", "issues", "evidence", "exam", "terminology", "intake", "footrisk", "neuropathy", "reasons", "trend", "plan"},
    "recall": {"canonical", "evidence", "exam", "footrisk", "neuropathy", "plan", "answer"},
    "vocabulary": {"canonical", "issues", "evidence", "exam", "footrisk", "neuropathy", "reasons", "plan", "answer", "recall"},
    "assessing": {"issues", "terminology", "intake", "footrisk", "neuropathy", "trend", "plan", "answer"},
}
CORE = set(FLOORS)
DOORS = {"api", "doors", "web", "cli", "records", "ledger", "subscriptions", "cohort", "__init__"}
READS_FILES = {"terminology/publication.py", "terminology/dictionary.py", "exam/units.py", "plan/calendar.py", "plan/pathway.py"}
"""Published tables that are loaded once; nothing of a patient's."""
THIRD_PARTIES = {
    "msgspec": CORE, "orjson": CORE, "dateutil": {"exam"}, "ucumvert": {"exam"}, "holidays": {"plan"},
}  # fmt: skip
OUTSIDE = {
    "time", "random", "secrets", "uuid", "os", "sys", "io", "socket", "ssl", "http", "urllib", "requests", "httpx", "aiohttp", "asyncio", "threading",
    "subprocess", "multiprocessing", "sqlite3", "sqlalchemy", "psycopg", "logging", "tempfile", "shutil", "glob", "fastapi", "starlette", "uvicorn",
    "fhir", "pydantic",
}  # fmt: skip
CALLS = {"today", "now", "utcnow", "fromtimestamp", "uuid1", "uuid4", "urandom", "getenv", "environ", "gmtime", "localtime", "monotonic", "perf_counter"}  # fmt: skip
FILE_CALLS = {"open", "read_text", "read_bytes", "write_text", "write_bytes", "unlink", "mkdir", "iterdir", "glob", "rglob"}


def floor(path: Path) -> str:
    """The folder of a module under the package, or its own name."""
    inside = path.relative_to(PACKAGE)
    return inside.parts[0] if len(inside.parts) > 1 else inside.stem


def name(path: Path) -> str:
    return path.relative_to(PACKAGE).as_posix()


def imports(tree: ast.AST) -> Iterator[str]:
    """Every module that is imported anywhere in a tree, in functions too; `from sural import x` is sural.x."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from (one.name for one in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, "relative imports hide the floor"
            module = node.module or ""
            yield from (f"sural.{one.name}" for one in node.names) if module == "sural" else (module,)


def called(tree: ast.AST) -> Iterator[str]:
    """The last name of everything that is called or looked up."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Attribute):
            yield node.attr
        elif isinstance(node, ast.Call) and isinstance(node.func, ast.Name):
            yield node.func.id


def calls(tree: ast.AST) -> Iterator[str]:
    """The last name of everything that is called."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Call):
            if isinstance(node.func, ast.Attribute):
                yield node.func.attr
            elif isinstance(node.func, ast.Name):
                yield node.func.id


def test_every_module_stands_on_a_floor() -> None:
    """A new folder needs its place in the table above."""
    assert set() == {floor(path) for path in MODULES} - CORE - DOORS


@pytest.mark.parametrize("path", MODULES, ids=name)
def test_a_module_imports_only_floors_below_it(path: Path) -> None:
    """Evidence and terminology import nothing of the upper floors; nothing of the core imports a door."""
    own = floor(path)
    if own in DOORS:
        own_doors = {"web": {"cli"}, "doors": {"web", "cli", "api"}, "api": {"web", "cli"}}
        assert set() == {module.split(".")[1] for module in imports(TREES[path]) if module.startswith("sural.")} & own_doors.get(
            own, set()
        )
        return
    reached = {module.split(".")[1] for module in imports(TREES[path]) if module.startswith("sural.")}

    assert set() == reached - FLOORS[own] - {own}


def test_the_floors_have_no_circle() -> None:
    """Each may only import floors that come before it in the table."""
    order = list(FLOORS)

    assert [] == [(own, other) for own, below in FLOORS.items() for other in below if order.index(other) >= order.index(own)]


@pytest.mark.parametrize("path", [path for path in MODULES if floor(path) in CORE], ids=name)
def test_the_core_imports_no_network_database_or_clock(path: Path) -> None:
    """Of other people's packages only those in the table; of the standard library nothing that reaches outside
    (`urllib.parse` only takes text apart)."""
    roots = {module.split(".")[0] for module in imports(TREES[path]) if module != "urllib.parse"}
    strangers = {root for root in roots - {"sural"} if root not in sys.stdlib_module_names}

    assert set() == roots & OUTSIDE
    assert set() == {root for root in strangers if floor(path) not in THIRD_PARTIES.get(root, set())}


@pytest.mark.parametrize("path", [path for path in MODULES if floor(path) in CORE], ids=name)
def test_the_core_asks_no_clock_and_no_chance(path: Path) -> None:
    """No `date.today`, `datetime.now`, `uuid4` and the like: the day of assessment is an argument."""
    assert set() == set(called(TREES[path])) & CALLS


@pytest.mark.parametrize("path", [path for path in MODULES if floor(path) in CORE and name(path) not in READS_FILES], ids=name)
def test_the_core_opens_no_file(path: Path) -> None:
    """Only the published tables are read, in the modules named above."""
    assert set() == set(calls(TREES[path])) & FILE_CALLS


def test_the_modules_that_may_read_files_are_there() -> None:
    """The exceptions do not outlive their reason."""
    assert set() == READS_FILES - {name(path) for path in MODULES}


@pytest.mark.parametrize("path", MODULES, ids=name)
def test_no_module_is_longer_than_400_lines(path: Path) -> None:
    """Modules of 100 to 300 lines, named for the thing."""
    assert len(path.read_text(encoding="utf-8").splitlines()) <= 400


@pytest.mark.parametrize("path", MODULES, ids=name)
def test_every_module_says_what_it_is(path: Path) -> None:
    """A docstring first, unless the module is empty."""
    assert not TREES[path].body or ast.get_docstring(TREES[path])


def test_the_public_names_are_pinned() -> None:
    """What `from sural import *` gives."""
    assert ["Issue", "Refused", "__version__", "assess", "summarise"] == sural.__all__
    assert all(hasattr(sural, one) for one in sural.__all__)


def test_the_public_arguments_are_pinned() -> None:
    """Names that callers rely on; all but the examination by keyword."""
    common = ["exam", "as_of", "lookback", "schemes", "pathway", "calendar", "complete", "preliminary"]

    assert [*common, "transaction", "report", "trace", "check", "concept_maps"] == list(inspect.signature(sural.assess).parameters)
    assert [*common, "check", "concept_maps"] == list(inspect.signature(sural.summarise).parameters)
    for function in (sural.assess, sural.summarise):
        assert all(one.kind is one.KEYWORD_ONLY for one in list(inspect.signature(function).parameters.values())[1:])


_LOADED = """
import sys
import sural
print(sorted(name for name in sys.modules if name.split(".")[0] in {"fastapi", "starlette", "uvicorn", "httpx", "sqlite3", "fhir", "pydantic", "ucumvert", "pint", "holidays"}))
"""


def test_importing_the_package_loads_no_door() -> None:
    """Neither the web framework nor the models, the unit library or the calendar, until they are needed."""
    done = subprocess.run([sys.executable, "-c", _LOADED], capture_output=True, check=True, timeout=60)

    assert b"[]\n" == done.stdout


@pytest.mark.parametrize("trace", [False, True])
def test_an_assessment_opens_nothing(trace: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    """Once the tables are loaded: no file and no socket."""
    data = orjson.dumps(Exam().normal().not_felt("left").see("foot-ulcer", "present", "left").bundle())
    day = date.fromisoformat(AS_OF)
    before = sural.assess(data, as_of=day, trace=trace)

    def refuse(*_: Any, **__: Any) -> NoReturn:
        raise AssertionError("the core reached outside")

    monkeypatch.setattr(builtins, "open", refuse)
    monkeypatch.setattr(Path, "open", refuse)
    monkeypatch.setattr(socket, "socket", refuse)
    after = sural.assess(data, as_of=day, trace=trace)
    monkeypatch.undo()

    assert before == after
