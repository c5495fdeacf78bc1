"""What the answer says of itself: contradictions, the intake report and where everything comes from."""

from collections.abc import Iterable, Mapping

from sural import canonical
from sural.answer.parts import DEVICE_REFERENCE, Json, Writing, cited, concept, meta, narrative
from sural.answer.wording import said_against, said_value
from sural.exam.examination import Contradiction
from sural.exam.finding import Finding
from sural.intake.context import Fate
from sural.intake.read import Intake
from sural.issues import KINDS, Issue


def detected_issue(writing: Writing, number: int, contradiction: Contradiction) -> Json:
    """Findings that contradict each other, and which was taken."""
    taken, against = contradiction.taken, contradiction.against
    others = ", ".join(dict.fromkeys(said_against(taken, finding) for finding in against))
    says = f"{_place(taken)}: {said_value(taken)} was taken against {others}, the worse reading."
    resource: Json = {
        "resourceType": "DetectedIssue",
        "meta": meta("contradicting-findings"),
        "text": narrative("Findings contradict each other.", says),
        "identifier": writing.identity.identifiers(f"contradiction-{number}"),
        "status": writing.status,
        "code": concept(canonical.ISSUE, "contradiction", KINDS["contradiction"].text.rstrip(".")),
        "severity": "moderate",
        "patient": writing.subject,
        "identifiedDateTime": writing.as_of.isoformat(),
        "author": DEVICE_REFERENCE,
        "detail": says,
    }
    implicated = cited((taken, *against))
    if implicated:
        resource["implicated"] = implicated
    return resource


def _place(finding: Finding) -> str:
    where = [finding.concept.display]
    if finding.site:
        where.append(finding.site.display.lower())
    if finding.side:
        where.append(finding.side)
    return ", ".join(where)


def outcome(issues: Iterable[Issue], counts: Mapping[Fate, int] | None = None) -> Json:
    """An OperationOutcome: every issue with its key and path and, for an intake, how many resources ended as what."""
    entries = [_issue(issue) for issue in issues]
    said = [
        f"{entry['severity']}: {entry['details']['text']} {' '.join(entry.get('expression', ()))}".rstrip() for entry in entries
    ]
    if counts is not None:
        text = ", ".join(f"{words}: {counts[key]}" for key, words in _FATES)
        total = sum(counts.values())
        entries.append(
            {"severity": "information", "code": "informational", "details": {"text": f"{total} input resources; {text}."}}
        )
        said.append(f"{total} input resources; {text}.")
    return {"resourceType": "OperationOutcome", "meta": meta("intake-outcome"), "text": narrative(*said), "issue": entries}


_FATES: tuple[tuple[Fate, str], ...] = (
    ("used", "used"),
    ("superseded", "superseded"),
    ("notRelevant", "not relevant"),
    ("unusable", "unusable"),
)


def _issue(issue: Issue) -> Json:
    kind = issue.kind
    entry: Json = {
        "severity": kind.severity,
        "code": kind.code,
        "details": {"coding": [{"system": canonical.ISSUE, "code": issue.key}], "text": kind.text},
    }
    where = [f"line {issue.line}"] if issue.line is not None else []
    diagnostics = "; ".join([*where, issue.diagnostics] if issue.diagnostics else where)
    if diagnostics:
        entry["diagnostics"] = diagnostics
    if issue.expression:
        entry["expression"] = [issue.expression]
    return entry


def intake_outcome(intake: Intake) -> Json:
    """The intake report of one patient."""
    return outcome(intake.issues, intake.counts)


def provenance(writing: Writing, targets: list[str]) -> Json:
    """Which resources were made, by which software and rules, from which inputs."""
    plan = writing.assessment.plan
    rules = [*writing.assessment.risk.standings, plan.pathway.id]
    resource: Json = {
        "resourceType": "Provenance",
        "meta": meta("assessment-provenance")
        | {"tag": [{"system": f"{canonical.BASE}/identifier/answer", "code": writing.identity.content}]},
        "text": narrative(
            f"{len(targets)} resources derived from {len(writing.sources)} inputs by Sural {canonical.VERSION}, rule set {canonical.RULE_SET}.",
            f"Rules: {', '.join(rules)}.",
        ),
        "target": [{"reference": target} for target in targets],
        "occurredDateTime": writing.as_of.isoformat(),
        "recorded": f"{writing.as_of.isoformat()}T00:00:00Z",
        "policy": [f"{canonical.RULE}|{canonical.RULE_SET}"],
        "activity": {
            "coding": [
                {"system": "http://terminology.hl7.org/CodeSystem/v3-DataOperation", "code": "CREATE", "display": "create"}
            ]
        },
        "agent": [
            {
                "type": {
                    "coding": [
                        {
                            "system": "http://terminology.hl7.org/CodeSystem/provenance-participant-type",
                            "code": "assembler",
                            "display": "Assembler",
                        }
                    ]
                },
                "who": DEVICE_REFERENCE,
            }
        ],
    }
    entities = [{"role": "source", "what": reference} for reference in writing.basis]
    if entities:
        resource["entity"] = entities
    return resource
