"""Asks Sural from tests: through bytes, as every door does."""

from datetime import date
from typing import Any

import orjson

import sural
from tests.builders import AS_OF, Exam


def summary_of(exam: Any, as_of: str = AS_OF, **how: Any) -> dict[str, Any]:
    """The summary of the only patient, as plain JSON."""
    summaries = summaries_of(exam, as_of, **how)
    assert len(summaries) == 1
    return summaries[0]


def summaries_of(exam: Any, as_of: str = AS_OF, **how: Any) -> list[dict[str, Any]]:
    content = exam.bundle() if isinstance(exam, Exam) else exam
    data = content if isinstance(content, bytes) else orjson.dumps(content)
    return [orjson.loads(orjson.dumps(one)) for one in sural.summarise(data, as_of=date.fromisoformat(as_of), **how)]


def answer_of(exam: Any, as_of: str = AS_OF, **how: Any) -> dict[str, Any]:
    """The answer Bundle as plain JSON."""
    content = exam.bundle() if isinstance(exam, Exam) else exam
    data = content if isinstance(content, bytes) else orjson.dumps(content)
    result: dict[str, Any] = orjson.loads(sural.assess(data, as_of=date.fromisoformat(as_of), **how))
    return result


def of_type(bundle: dict[str, Any], resource_type: str) -> list[dict[str, Any]]:
    return [entry["resource"] for entry in bundle["entry"] if entry["resource"]["resourceType"] == resource_type]
