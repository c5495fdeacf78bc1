"""The watch over the whole suite (tests/log_watch.py) can fail: it sees what it is there to see, and lets the rest pass.

Rules: interop 2.17 P2, 2.3 C5. The people are those of the fixtures: invented.
"""

import logging
import subprocess
import sys
import warnings
from pathlib import Path

import pytest

from sural.answer.accounts import outcome
from sural.issues import Issue
from tests.log_watch import leaks, markers, watching

pytestmark = pytest.mark.shows_patient_data
NAME, BORN, NUMBER = "Wickstrand", "1953-05-02", "SK173"
FINDING = "monofilament-10g left hallux not-felt"


def test_the_people_of_the_fixtures_are_known() -> None:
    """Names, birth dates, identifiers and ids, more than a hundred people."""
    assert {NAME, BORN, NUMBER, "skp-343"} <= markers()
    assert len(markers()) > 300


@pytest.mark.parametrize("text", [NAME, f"born {BORN}", f"?identifier=sys|{NUMBER}", "/fhir/Patient/skp-343", FINDING])
def test_patient_data_are_seen_in_a_log(text: str) -> None:
    """Whatever the logger and the level, in the text or its arguments."""
    with watching() as watch:
        logging.getLogger("anything").debug("read %s", text)

    assert watch.found()


def test_patient_data_are_seen_in_a_traceback() -> None:
    """A log record with an exception says what the exception says."""
    with watching() as watch:
        try:
            raise ValueError(NAME)
        except ValueError:
            logging.getLogger("anything").exception("failed")

    assert watch.found()


def test_patient_data_are_seen_on_standard_error() -> None:
    """What the program itself prints there."""
    with watching() as watch:
        print(f"cannot read {NAME}", file=sys.stderr)

    assert watch.found()


def test_patient_data_are_seen_in_an_issue() -> None:
    """Diagnostics and expressions of every OperationOutcome."""
    with watching() as watch:
        outcome([Issue("value-not-mapped", "Bundle.entry[0]", FINDING)])

    assert watch.found()


def test_patient_data_are_seen_in_a_warning() -> None:
    """Shown or not."""
    with pytest.warns(UserWarning, match=NAME), watching() as watch:
        warnings.warn(NAME, stacklevel=1)

    assert watch.found()


@pytest.mark.parametrize(
    "text", ["monofilament-10g", "GET /fhir/Patient/{id} 200", "Bundle.entry[3].resource", "not-felt", "callus absent"]
)
def test_what_names_nobody_passes(text: str) -> None:
    """Codes, routes, paths; a code without an adverse answer."""
    assert [] == leaks(text)


def test_nothing_is_left_watching() -> None:
    """The watch takes itself away."""
    before = (sys.stderr, logging.getLogger().level, list(logging.getLogger().handlers))
    with watching():
        pass

    assert before == (sys.stderr, logging.getLogger().level, list(logging.getLogger().handlers))


def test_a_test_that_leaves_patient_data_fails(tmp_path: Path) -> None:
    """The whole way: a run of pytest under the same watch, one test that leaks and one that does not."""
    root = Path(__file__).parents[1]
    (tmp_path / "conftest.py").write_text("from tests.log_watch import pytest_runtest_call  # noqa\n")
    (tmp_path / "test_it.py").write_text(
        f"import logging\n\ndef test_leaks():\n    logging.info({NAME!r})\n\ndef test_does_not():\n    logging.info('read')\n"
    )
    command = [
        sys.executable,
        "-m",
        "pytest",
        "-q",
        "--rootdir",
        str(tmp_path),
        "-c",
        "/dev/null",
        "-p",
        "no:cacheprovider",
        str(tmp_path),
    ]
    done = subprocess.run(command, capture_output=True, text=True, cwd=root, timeout=120)

    assert "1 failed, 1 passed" in done.stdout
    assert "patient data left behind" in done.stdout
