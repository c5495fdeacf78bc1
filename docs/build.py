"""Writes the pages of docs/reference from the code: rules, command line, routes, issue keys, code mappings.

Run `python docs/build.py` after changing any of these; `--check` only reports whether the pages are current (exit 1 when not).
"""

import argparse
import json
import sys
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path
from types import ModuleType
from typing import Any

HERE = Path(__file__).parent
ROOT = HERE.parent
sys.path.insert(0, str(ROOT / "service"))

from sural.cli.main import parser  # noqa: E402
from sural.evidence.citation import Citation, Mark  # noqa: E402
from sural.evidence.criterion import Criterion  # noqa: E402
from sural.exam.analytes import EQUATIONS  # noqa: E402
from sural.footrisk import prognosis, threat  # noqa: E402
from sural.footrisk.factors import FOOT_CRITERIA, PERSON_CRITERIA  # noqa: E402
from sural.footrisk.scheme import Scheme  # noqa: E402
from sural.footrisk.schemes import SCHEMES  # noqa: E402
from sural.footrisk.ulcer_grades import sinbad, texas, wifi  # noqa: E402
from sural.issues import KINDS  # noqa: E402
from sural.neuropathy import autonomic, certainty, electrodiagnosis  # noqa: E402
from sural.neuropathy.causes import CAUSES, TESTS  # noqa: E402
from sural.neuropathy.pattern import RULES  # noqa: E402
from sural.neuropathy.red_flags import FLAGS  # noqa: E402
from sural.neuropathy.scores import TABLES  # noqa: E402
from sural.plan import pathway as pathways  # noqa: E402
from sural.web.app import create_app  # noqa: E402
from sural.web.routes import served  # noqa: E402

NOTE = "<!-- Written by docs/build.py from the code. Do not edit: change the code and run it again. -->"
Row = tuple[str, ...]
HELD_BY = (threat, prognosis, sinbad, texas, wifi, certainty, autonomic, electrodiagnosis)
"""Modules whose rules are functions; the citations they name are listed."""


def table(head: Row, rows: Iterable[Row]) -> list[str]:
    """A Markdown table; a bar inside a cell is escaped."""
    lines = [head, tuple("---" for _ in head), *rows]
    return ["| " + " | ".join(cell.replace("|", "\\|").replace("\n", " ") for cell in line) + " |" for line in lines] + [""]


def cite(citation: Citation) -> Row:
    return ", ".join(part for part in (citation.source, citation.clause) if part) or "-", str(citation.mark)


def code(text: str) -> str:
    return f"`{text}`"


# rules


def rules() -> list[str]:
    factors = list(_factors((*FOOT_CRITERIA, *PERSON_CRITERIA)))
    schemes = {scheme: list(_categories(scheme)) for scheme in SCHEMES.values()}
    patterns = [(code(one.code), one.text, *cite(one.citation)) for one in RULES.values()]
    flags = [(code(one.code), one.text, *cite(one.citation)) for one in FLAGS]
    causes = [(code(one.code), one.text, *cite(one.citation)) for one in CAUSES]
    tests = [(code(one.code), one.text, *cite(one.citation)) for one in TESTS.values()]
    held = [row for module in HELD_BY for row in _held(module)]
    scores = [row for one in TABLES for row in _score(one)]
    steps = {name: list(_steps(pathways.pathway(name))) for name in pathways.names()}
    equations = [
        (concept, unit, *cite(equation.citation)) for concept, units in EQUATIONS.items() for unit, equation in units.items()
    ]
    every = [factors, patterns, flags, causes, tests, held, scores, equations, *schemes.values(), *steps.values()]
    marks = Counter(row[-1] for rows in every for row in rows)
    lines = [
        "# Every rule, with its source and evidence mark",
        "",
        "The mark says how the rule is known. A rule from memory says so wherever it is shown; see [sources](../sources.md) for what was",
        "looked up, and [decisions](../decisions/README.md) for the project's own choices.",
        "",
        *table(("mark", "entries on this page"), ((str(mark), str(marks[str(mark)])) for mark in Mark)),
        "## Factors of foot risk",
        "",
        *table(("factor", "decides", "id", "rule", "source", "mark"), factors),
    ]
    for scheme, rows in schemes.items():
        lines += [f"## {scheme.title}: `{scheme.id}`", ""]
        lines += table(("category", "when (worst that holds)", "review", "source", "mark"), rows)
    for title, rows in (("Patterns of neuropathy", patterns), ("Red flags", flags), ("Causes to consider", causes), ("Work-up", tests)):
        lines += [f"## {title}", "", *table(("code", "rule", "source", "mark"), rows)]
    lines += ["## Rules that are functions", "", *table(("module", "rule", "source", "mark"), held)]
    lines += ["## Scores", "", *table(("id", "part", "what", "source", "mark"), scores)]
    for name, rows in steps.items():
        lines += [f"## Pathway `{name}`", ""]
        lines += table(("step", "services", "urgency", "time", "called for by", "source", "mark"), rows)
    lines += ["## Conversions that need to know the substance", "", *table(("concept", "from unit", "source", "mark"), equations)]
    return lines


def _factors(criteria: Iterable[Criterion[Any]]) -> Iterator[Row]:
    for criterion in criteria:
        for decides, grounds in (("present", criterion.present), ("absent", criterion.absent)):
            for ground in grounds:
                yield code(criterion.factor), decides, code(ground.id), ground.text, *cite(ground.citation)


def _categories(scheme: Scheme) -> Iterator[Row]:
    for category in scheme.categories.values():
        ways = sorted(" and ".join(sorted(way)) for way in category.when.ways)
        review = f"{category.review.earliest} to {category.review.latest}" if category.review else "-"
        yield code(category.code), "; or ".join(filter(None, ways)) or "otherwise", review, *cite(category.citation)


def _held(module: ModuleType) -> Iterator[Row]:
    for name, value in vars(module).items():
        if isinstance(value, Citation) and name != "PROJECT":
            yield code(module.__name__.removeprefix("sural.")), name.strip("_").lower().replace("_", " "), *cite(value)


def _score(one: Any) -> Iterator[Row]:
    yield code(one.id), "items", f"{one.title}: {len(one.items)} items, 0 to {one.maximum:g}", *cite(one.citation)
    bands = ", ".join(f"{band.name} from {band.start:g}" for band in one.bands) or "none"
    yield code(one.id), "bands", bands, *cite(one.band_citation)


def _steps(one: pathways.Pathway) -> Iterator[Row]:
    steps: dict[str, pathways.Step] = {"threat": one.threat, "active": one.active, "inpatient": one.inpatient}
    steps |= {f"category {name}": step for name, step in one.category.items()}
    steps |= {f"neuropathy {name}": step for name, step in one.neuropathy.items()}
    for name, step in steps.items():
        within = [f"window {' to '.join(step.window)}"] if step.window else []
        within += [f"{step.working_days} working days"] if step.working_days is not None else []
        within += [f"triaged {step.triage_working_days} working days later"] if step.triage_working_days is not None else []
        within += [f"{step.hours} hours by the clock"] if step.hours is not None else []
        called = ", ".join(step.when) if isinstance(step, pathways.NeuropathyStep) else ""
        yield name, ", ".join(step.services), step.urgency, ", ".join(within) or "at once", called or "-", step.source, step.mark
    ages = f"from {one.children.from_age} to {one.children.to_age} years"
    yield "children", one.children.service, "as above", "as above", ages, one.children.source, one.children.mark


# command line


def command_line() -> list[str]:
    lines = [
        "# Command line",
        "",
        "Answers go to standard output, progress and messages to standard error. Exit 0: assessed. Exit 2: some input could not be used; an",
        "OperationOutcome is on standard output. Exit 1: a failure of ours.",
        "",
    ]
    return lines + list(_command(parser(), "sural"))


def _command(one: argparse.ArgumentParser, name: str) -> Iterator[str]:
    rows = []
    inner: dict[str, argparse.ArgumentParser] = {}
    says: dict[str, str] = {}
    for action in one._actions:
        if isinstance(action, argparse._SubParsersAction):
            inner = dict(action.choices)
            says = {choice.dest: choice.help or "" for choice in action._choices_actions}
            rows += [(code(f"{name} {command}"), says.get(command, "")) for command in inner]
        elif not isinstance(action, argparse._HelpAction):
            rows.append((code(_usage(action)), (action.help or "").replace("%(default)s", str(action.default))))
    yield f"## `{name}`"
    yield ""
    yield from table(("what", "does"), rows) if rows else ()
    for command, further in inner.items():
        yield from _command(further, f"{name} {command}")


def _usage(action: argparse.Action) -> str:
    if not action.option_strings:
        metavar = action.metavar or action.dest
        return (metavar if isinstance(metavar, str) else metavar[0]) + ("…" if action.nargs in ("+", "*") else "")
    choices = "|".join(str(choice) for choice in action.choices) if action.choices else ""
    takes = "" if action.nargs == 0 else f" {choices or action.metavar or action.dest.upper()}"
    return ", ".join(action.option_strings) + takes


# routes, issues, codes


def routes() -> list[str]:
    found = served(create_app(demo=True))
    rows = [(code(one.path), ", ".join(one.methods), one.interaction or "-", one.name or "-") for one in found]
    return [
        "# Routes",
        "",
        "Routes under `/demo` are there with `sural demo` only. FHIR routes speak `application/fhir+json`; every error is an OperationOutcome",
        "with a key of the [issue list](issues.md).",
        "",
        *table(("path", "methods", "FHIR interaction", "type or operation"), sorted(rows)),
    ]


def issues() -> list[str]:
    rows = [
        (code(kind.key), kind.severity, code(kind.code), str(kind.status), kind.text, ADVICE[kind.code]) for kind in KINDS.values()
    ]
    return [
        "# Issue keys",
        "",
        "Each remark on the input carries one of these keys (`https://sural.example/fhir/CodeSystem/issue`), a FHIR issue code and a FHIRPath",
        "that selects one node of the input. The status is the HTTP status when the key refuses the input as a whole.",
        "",
        *table(("key", "severity", "FHIR issue code", "status", "meaning", "what to do"), rows),
    ]


def codes() -> list[str]:
    lines = [
        "# Codes that are read",
        "",
        "Our own codes always work; these open codes are read as well, and a site's own come with a ConceptMap (`--concept-map`). SNOMED CT",
        "and LOINC are licensed by their owners: see [NOTICE](../../NOTICE). SNOMED CT displays stand only where the concept is in the free",
        "set. The evidence for each row is in the ConceptMap under [terminology/fhir](../../terminology/fhir).",
        "",
    ]
    for path in sorted((ROOT / "terminology" / "fhir").glob("ConceptMap-*.json")):
        resource = json.loads(path.read_text(encoding="utf-8"))
        lines += [f"## {resource['title']}", "", *table(("system", "code", "display", "read as"), _mapped(resource))]
    return lines


def _mapped(resource: dict[str, Any]) -> Iterator[Row]:
    for group in resource["group"]:
        for element in group["element"]:
            read_as = "; ".join(dict.fromkeys(_target(target) for target in element["target"]))
            yield group["source"], code(element["code"]), element.get("display", "-"), read_as


def _target(target: dict[str, Any]) -> str:
    words = [target["code"]]
    words += [f"{one['property'].rsplit('/', 1)[-1]} {one['value']}" for one in target.get("product", ())]
    words += [f"only if {one['value']}" for one in target.get("dependsOn", ())]
    words += [] if target["equivalence"] in ("equivalent", "equal") else [f"({target['equivalence']})"]
    return " ".join(words)


ADVICE = {
    "structure": "Mend the sender: the expression selects what is at fault.",
    "required": "Send what is missing; what cannot be known, with a dataAbsentReason.",
    "value": "Send a value that can be: see the codes and units of the finding.",
    "invariant": "Mend the sender: R4 forbids this combination.",
    "code-invalid": "Send one of our codes, or map yours: `sural intake --starter-concept-map`.",
    "extension": "Leave the modifier out, or have it understood before the resource is sent.",
    "business-rule": "Look at the record: it may not be used as it stands. Sending it again changes nothing.",
    "not-supported": "Ask for something that is offered: see the routes and the command line.",
    "duplicate": "Nothing, unless the sender should not have sent it twice.",
    "not-found": "Send what is referred to along with it, or look at the address.",
    "deleted": "It is gone; ask for something else.",
    "too-long": "Send less at once: one patient per document, or lines.",
    "too-costly": "Send less at once: one patient per document, or lines.",
    "informational": "Nothing: it says what was or was not read.",
    "exception": "Tell us; the input is not at fault. Sending it again may work.",
    "login": "Send a bearer token that is good.",
    "expired": "Get a new token and send it again.",
    "forbidden": "Ask for the scope that is named.",
    "security": "Authenticate, or ask for the permission.",
    "throttled": "Wait as long as Retry-After says.",
    "transient": "Send it again later.",
    "timeout": "Send it again later.",
    "incomplete": "Send it again later: a source did not answer.",
    "processing": "Look at the diagnostics; the record system refused it.",
    "conflict": "Read what stands there now, and send again.",
    "multiple-matches": "Make the search name one resource only.",
}
"""What whoever sends it can do, by FHIR issue code."""


PAGES = {"rules": rules, "command-line": command_line, "routes": routes, "issues": issues, "codes": codes}


def main(arguments: Sequence[str]) -> int:
    """Write the pages or check them. Returns the exit code."""
    stale = []
    for name, write in PAGES.items():
        path = HERE / "reference" / f"{name}.md"
        text = "\n".join((NOTE, "", *write())).rstrip() + "\n"
        if not path.exists() or path.read_text(encoding="utf-8") != text:
            stale.append(path.name)
            if "--check" not in arguments:
                path.parent.mkdir(exist_ok=True)
                path.write_text(text, encoding="utf-8")
    for name in stale:
        print(("stale: " if "--check" in arguments else "written: ") + name)
    return 1 if stale and "--check" in arguments else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
