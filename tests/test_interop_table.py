"""The interoperability table is true: every test it names exists, every requirement is there once, every `!` has a test or a reason."""

import re
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
TEXT = (ROOT / "docs" / "interop.md").read_text(encoding="utf-8")
ROWS = [[cell.strip() for cell in line.strip("|").split(" | ")] for line in TEXT.splitlines() if re.match(r"\| [A-S]\d", line)]
SECTIONS = {
    "A": 7, "B": 9, "C": 7, "D": 11, "E": 8, "F": 7, "G": 3, "H": 4, "I": 10, "J": 9, "K": 5, "L": 5, "M": 7, "N": 8, "O": 10,
    "P": 3, "Q": 4, "S": 4,
}  # fmt: skip
"""How many requirements each section of the checklist has."""
STATES = {"pass", "fail", "not yet", "not applicable"}
NAMED = sorted(set(re.findall(r"`(tests/[^`]+::[^`]+)`", TEXT)))


def test_every_requirement_is_there_once() -> None:
    """In the order of the checklist."""
    assert [f"{letter}{number}" for letter, last in SECTIONS.items() for number in range(1, last + 1)] == [row[0] for row in ROWS]


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row[0])
def test_every_row_has_a_state_and_what_shows_it(row: list[str]) -> None:
    """A pass names a test; anything else says why."""
    _, level, _, state, shown, remark = row

    assert level in "!+o-"
    assert state in STATES
    assert "::" in shown if state == "pass" else len(remark) > 5


@pytest.mark.parametrize("name", NAMED)
def test_every_named_test_exists(name: str) -> None:
    """A test that was renamed or removed shows nothing any more."""
    path, _, function = name.partition("::")

    assert re.search(rf"^def {function}\(", (ROOT / path).read_text(encoding="utf-8"), re.MULTILINE)


def test_the_sum_is_right() -> None:
    """The counts above the table."""
    (line,) = re.findall(r"^In sum: (.*)\.$", TEXT, re.MULTILINE)
    states = [row[3] for row in ROWS]

    assert {f"{states.count(state)} {state}" for state in states} == set(line.split(", "))
