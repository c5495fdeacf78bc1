"""The documentation says what the program does: generated pages are fresh, everything has its place, links resolve, examples run."""

import argparse
import re
import shlex
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from fastapi.testclient import TestClient

from sural.cli.main import main, parser
from sural.issues import KINDS
from sural.ledger.parameters import IDENTIFIED, SEARCHED
from sural.web.app import create_app
from sural.web.routes import served

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
PAGES = sorted([*ROOT.glob("*.md"), *(ROOT / "docs").rglob("*.md")])
REFERENCE = {path.stem: path.read_text(encoding="utf-8") for path in (ROOT / "docs" / "reference").glob("*.md")}
BY_HAND = "\n".join(path.read_text(encoding="utf-8") for path in PAGES if path.parent.name != "reference")
LINK = re.compile(r"\[[^\]]+\]\(([^)\s]+)\)")


def blocks(language: str) -> list[str]:
    """The code blocks of the README in a language."""
    return re.findall(rf"```{language}\n(.*?)```", README, re.DOTALL)


def commands(one: argparse.ArgumentParser, name: str = "sural") -> Iterator[tuple[str, list[str]]]:
    """Every command with its options."""
    options = [text for action in one._actions for text in action.option_strings if text not in ("-h", "--help")]
    yield name, options
    for action in one._actions:
        if isinstance(action, argparse._SubParsersAction):
            for inner, further in action.choices.items():
                yield from commands(further, f"{name} {inner}")


SHOWN = [line for block in blocks("sh") for line in block.splitlines()]
RUNS = [line.split(" && ")[-1].removeprefix(".venv/bin/") for line in SHOWN]
RUNS = [line for line in RUNS if line.split()[:2] in (["sural", "assess"], ["sural", "intake"], ["sural", "cases"])]


@pytest.fixture
def beside_the_fixtures(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """An empty folder from which the paths of the README lead to the fixtures."""
    (tmp_path / "fixtures").symlink_to(ROOT / "fixtures")
    monkeypatch.chdir(tmp_path)
    return tmp_path


@pytest.mark.parametrize("builder", ["docs/build.py", "terminology/build.py"])
def test_what_is_generated_is_fresh(builder: str) -> None:
    """Run the builder when this fails."""
    done = subprocess.run([sys.executable, str(ROOT / builder), "--check"], capture_output=True, text=True, timeout=120)

    assert ("", 0) == (done.stdout, done.returncode), f"run python {builder}\n{done.stderr}"


@pytest.mark.parametrize("command", [name for name, _ in commands(parser())])
def test_every_command_is_named_in_a_page_written_by_hand(command: str) -> None:
    """The reference alone does not tell when to use it."""
    assert " ".join(command.split()[:2]) in BY_HAND


@pytest.mark.parametrize(("command", "option"), [(name, option) for name, options in commands(parser()) for option in options])
def test_every_option_is_in_the_section_of_its_command(command: str, option: str) -> None:
    """In the reference of the command line."""
    _, _, rest = REFERENCE["command-line"].partition(f"## `{command}`\n")

    assert f"`{option}" in rest.partition("\n## ")[0]


@pytest.mark.parametrize("path", sorted({route.path for route in served(create_app(demo=True))}))
def test_every_route_is_documented(path: str) -> None:
    """In the reference of the routes."""
    assert f"`{path}`" in REFERENCE["routes"]


@pytest.mark.parametrize("kind", SEARCHED)
def test_every_search_parameter_is_documented(kind: str) -> None:
    """In the row of its type, and no other."""
    text = (ROOT / "docs" / "search.md").read_text(encoding="utf-8")
    row, everywhere = (re.findall(rf"^\| {name} \| (.*) \|$", text, re.MULTILINE)[0] for name in (kind, "all"))
    names = {name for one in SEARCHED[kind] for name in one.names} | {"_id", "_lastUpdated"} | ({"identifier"} if kind in IDENTIFIED else set())

    assert names == {*re.findall(r"`([^`]+)`", row), *re.findall(r"`([^`]+)`", everywhere)}


@pytest.mark.parametrize("key", KINDS)
def test_every_issue_key_is_documented(key: str) -> None:
    """In the reference of the issues."""
    assert f"| `{key}` |" in REFERENCE["issues"]


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.relative_to(ROOT).as_posix())
def test_every_relative_link_resolves(page: Path) -> None:
    """To a file or folder of the repository."""
    links = [link.partition("#")[0] for link in LINK.findall(page.read_text(encoding="utf-8"))]
    inside = [link for link in links if link and "://" not in link and not link.startswith("mailto:")]

    assert [] == [link for link in inside if not (page.parent / link).exists()]


def test_every_page_can_be_found() -> None:
    """From the page of all pages, the table of decisions, or the README."""
    indexes = [ROOT / "README.md", ROOT / "docs" / "README.md", ROOT / "docs" / "decisions" / "README.md"]
    linked = {
        (index.parent / link.partition("#")[0]).resolve() for index in indexes for link in LINK.findall(index.read_text(encoding="utf-8"))
    }
    pages = {page.resolve() for page in PAGES if page not in indexes and page.is_relative_to(ROOT / "docs")}

    assert set() == pages - linked


@pytest.mark.parametrize("line", RUNS)
@pytest.mark.usefixtures("beside_the_fixtures")
def test_a_command_of_the_readme_runs(line: str, capsysbinary: pytest.CaptureFixture[bytes]) -> None:
    """With the exit status that the README gives: 2 for the case that lacks a side."""
    status = main(shlex.split(line)[1:])

    assert (2 if "bad-" in line else 0) == status
    assert capsysbinary.readouterr().out


def test_the_readme_shows_both_commands_that_set_everything_up() -> None:
    """One line each, first an assessment and then the tests."""
    first, second = (block.splitlines() for block in blocks("sh")[:2])

    assert (1, 1) == (len(first), len(second))
    assert "sural assess" in first[0] and "--save" in first[0]
    assert second[0].endswith("-m pytest")


def test_the_answer_in_the_readme_is_what_the_first_command_prints(
    beside_the_fixtures: Path, capsysbinary: pytest.CaptureFixture[bytes]
) -> None:
    """Shortened, but every line is there, in order, and the FHIR answer where it says."""
    main(shlex.split(RUNS[0])[1:])
    printed = iter(capsysbinary.readouterr().out.decode().splitlines())
    shown = [line for line in blocks("text")[0].splitlines() if line]

    assert shown
    assert [] == [line for line in shown if line not in printed]
    assert (beside_the_fixtures / "answer.json").stat().st_size


def test_the_request_in_the_readme_is_answered() -> None:
    """The `curl` line, sent to the application."""
    words = shlex.split(next(line for line in SHOWN if line.startswith("curl")))
    headers = dict([words[words.index("-H") + 1].split(": ")])
    body = (ROOT / words[words.index("--data-binary") + 1].removeprefix("@")).read_bytes()
    answered = TestClient(create_app()).post(words[-1].removeprefix("http://127.0.0.1:8000"), content=body, headers=headers)

    assert (200, "Bundle") == (answered.status_code, answered.json()["resourceType"])


def test_the_python_of_the_readme_prints_what_it_says() -> None:
    """Run as a program of its own."""
    (program,) = blocks("python")
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True, timeout=60, cwd=ROOT)

    assert program.rpartition("# ")[2].strip() == done.stdout.strip()
