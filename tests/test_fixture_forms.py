"""The fixture cases show every form that the contract names: of side and site, of value, of what is missing, of bad input, of documents.

The table is in `fixture_forms`. How each form is read is what its case expects; see `test_cases`.
"""

from collections import Counter
from functools import cache

import pytest

from sural.doors.cases import cases
from sural.issues import KINDS
from tests.fixture_forms import ELSEWHERE, FORMS, Form, Seen, seen


@cache
def all_seen() -> tuple[Seen, ...]:
    """Every case, taken apart once."""
    return tuple(seen(one) for one in cases())


@pytest.mark.parametrize("form", FORMS, ids=lambda form: f"{form.section}: {form.says}")
def test_every_form_has_a_case(form: Form) -> None:
    """One case at least sends it, or expects its issue."""
    assert [] != [one.case.name for one in all_seen() if form.has(one)]


@pytest.mark.parametrize("form", FORMS, ids=lambda form: f"{form.section}: {form.says}")
def test_no_form_is_in_every_case(form: Form) -> None:
    """A form that every case had would be no form that the table can know."""
    assert not all(form.has(one) for one in all_seen())


def test_the_table_names_each_form_once() -> None:
    """And what no fixture can show is a key of the vocabulary, with what shows it."""
    assert [] == [name for name, count in Counter((form.section, form.says) for form in FORMS).items() if count > 1]
    assert ELSEWHERE.keys() <= KINDS.keys()


def test_every_case_says_why_it_is_there() -> None:
    """A title, and a reason under it."""
    assert [] == [one.name for one in cases() if not one.why.startswith("# ") or not "".join(one.why.splitlines()[1:]).strip()]
