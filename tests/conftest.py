"""The whole suite runs under the watch for patient data in logs and errors; tests of the ledger run on each database, those of
populations on one export."""

from tests.cohorts import export
from tests.databases import new_database, postgresql, url
from tests.log_watch import pytest_runtest_call

__all__ = ["export", "new_database", "postgresql", "pytest_runtest_call", "url"]
