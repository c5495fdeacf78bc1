"""The whole suite runs under the watch for patient data in logs and errors."""

from tests.log_watch import pytest_runtest_call

__all__ = ["pytest_runtest_call"]
