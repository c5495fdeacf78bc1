"""Writes a PlanDefinition for each referral pathway from its data file: what the engine does, described for other systems to read.

    python profiles/pathways.py [--check]

The operation `$assess-lower-limb` is the engine; the PlanDefinition is its description and is not executed. `--check` writes nothing and
reports whether the files are current (exit 1 when not).
"""

import json
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from sural import canonical
from sural.plan import pathway as pathways
from sural.terminology.publication import read

Json = dict[str, Any]
FOLDER = Path(__file__).parent / "fhir"
DATE = "2026-11-25"
UNITS = {"D": ("d", "days"), "W": ("wk", "weeks"), "M": ("mo", "months")}
REASONS = {
    "threat": "A limb- or life-threatening foot problem",
    "active": "Any other active foot problem",
    "inpatient": "An active foot problem of a person in hospital",
    "urgent": "An urgent neurological pattern",
    "progressive": "A progressive or motor neuropathy",
    "atypical": "A neuropathy that is not a distal symmetric one",
    "conduction": "The work-up asks for nerve conduction",
    "laboratory": "The work-up asks for blood tests",
}


def plan_definition(one: pathways.Pathway) -> Json:
    """The PlanDefinition of a pathway (FHIR R4 4.0.1)."""
    return {
        "resourceType": "PlanDefinition",
        "id": one.id,
        "url": f"{canonical.BASE}/PlanDefinition/{one.id}",
        "version": one.version,
        "name": one.id.upper().replace("-", "_"),
        "title": one.title,
        "type": {
            "coding": [{"system": "http://terminology.hl7.org/CodeSystem/plan-definition-type", "code": "clinical-protocol"}]
        },
        "status": "active",
        "experimental": False,
        "date": DATE,
        "publisher": "The Sural project",
        "description": f"Whom Sural proposes to ask, and how soon, by the scheme {one.scheme}. A description: $assess-lower-limb makes the "
        "proposals, each a ServiceRequest with intent proposal, for a clinician to accept or reject. Working days are those of the "
        f"calendar {one.calendar} unless the request names another.",
        "usage": "Data of the rule set; a site replaces it by a file of its own.",
        "action": list(_actions(one)),
    }


def _actions(one: pathways.Pathway) -> Iterator[Json]:
    for name in ("threat", "active", "inpatient"):
        yield _action(name, REASONS[name], [], getattr(one, name))
    for category, step in one.category.items():
        reason = {"coding": [{"system": canonical.FOOT_RISK, "code": f"{one.scheme}.{category}"}]}
        yield _action(f"category-{category}", f"Foot risk {category}", [reason], step)
    for name, step in one.neuropathy.items():
        reasons = [{"coding": [{"system": _system(code), "code": code}]} for code in step.when]
        yield _action(f"neuropathy-{name}", REASONS[name], reasons, step)


def _action(id: str, title: str, reasons: list[Json], step: pathways.Step) -> Json:
    services = [{"coding": [{"system": canonical.SERVICE, "code": code, "display": _display(code)}]} for code in step.services]
    action: Json = {
        "id": id,
        "title": title,
        "textEquivalent": f"{title}: {', '.join(_display(code) for code in step.services)}, {step.urgency}, {_within(step)}.",
        "priority": step.urgency,
        "code": services,
    }
    if reasons:
        action["reason"] = reasons
    action["documentation"] = [{"type": "citation", "citation": f"{step.source} [{step.mark}]"}]
    if step.window:
        low, high = (_quantity(duration) for duration in step.window)
        action["timingRange"] = {"low": low, "high": high}
    elif step.hours is not None:
        action["timingDuration"] = {"value": step.hours, "unit": "hours", "system": canonical.UCUM, "code": "h"}
    return action


def _within(step: pathways.Step) -> str:
    if step.window:
        return f"within a window of {step.window[0]} to {step.window[1]}"
    if step.hours is not None:
        return f"within {step.hours} hours by the clock"
    triage = f", triaged within {step.triage_working_days} further working days" if step.triage_working_days is not None else ""
    return f"within {step.working_days} working days{triage}" if step.working_days is not None else "at once"


def _quantity(duration: str) -> Json:
    """An ISO 8601 duration of one unit as a UCUM quantity."""
    code, unit = UNITS[duration[-1]]
    return {"value": int(duration[1:-1]), "unit": unit, "system": canonical.UCUM, "code": code}


def _display(service: str) -> str:
    return pathways.SERVICES[service]


def _system(code: str) -> str:
    """The code system that has a pattern or red flag."""
    for name in ("neuropathy", "note"):
        if any(entry["code"] == code for entry in _entries(read("CodeSystem", name))):
            return canonical.code_system(name)
    raise KeyError(code)


def _entries(within: Json) -> Iterator[Json]:
    for entry in within.get("concept", ()):
        yield entry
        yield from _entries(entry)


def main(arguments: list[str]) -> int:
    """Write or check. Returns the exit code."""
    stale = []
    for name in pathways.names():
        path = FOLDER / f"PlanDefinition-{name}.json"
        text = json.dumps(plan_definition(pathways.pathway(name)), indent=1, ensure_ascii=False) + "\n"
        if not path.exists() or path.read_text(encoding="utf-8") != text:
            stale.append(path.name)
            if "--check" not in arguments:
                path.write_text(text, encoding="utf-8")
    for name in stale:
        print(("stale: " if "--check" in arguments else "written: ") + name)
    return 1 if stale and "--check" in arguments else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
