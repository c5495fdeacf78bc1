"""The answer as a Bundle: a collection to read, or a transaction to post back, which changes nothing when it is sent twice."""

from collections.abc import Iterable
from typing import Literal

from sural.answer.accounts import detected_issue, intake_outcome, outcome, provenance
from sural.answer.assessment import Assessment
from sural.answer.classified import neuropathy_classification, score_observation
from sural.answer.derived import FOOT_RISK_KIND, NEUROPATHY_KIND, foot_risk_category, ulcer_grades
from sural.answer.diagnostic_report import REPORT_KIND, diagnostic_report
from sural.answer.identity import ANSWER_SYSTEM, SOFTWARE_SYSTEM
from sural.answer.parts import DEVICE_URL, SOFTWARE_VALUE, Json, Writing, device
from sural.answer.referrals import request_kind, service_request
from sural.answer.risk_assessments import prognosis_assessment, risk_assessment
from sural.answer.trace import trace_parameters
from sural.footrisk.prognosis import ID as PODUS
from sural.intake.read import Intake

Form = Literal["collection", "transaction"]


class Written:
    """The resources of one patient's answer, each with its link and kind, in the order in which they may be created."""

    def __init__(self, assessment: Assessment, trace: bool = False, pictured: bool = False, reported: bool = True) -> None:
        self.writing = Writing(assessment)
        self.resources: list[tuple[str, str, Json]] = [(DEVICE_URL, "software", device())]
        self._observations()
        if reported:
            results = [{"reference": url} for url, _, resource in self.resources if resource["resourceType"] == "Observation"]
            self._add(REPORT_KIND, diagnostic_report(self.writing, results, pictured))
        self._risks()
        self._plan()
        self._contradictions()
        targets = [url for url, kind, _ in self.resources if kind != "software"]
        self._add("provenance", provenance(self.writing, targets))
        self.outcome = intake_outcome(assessment.intake)
        self.trace = trace_parameters(assessment) if trace else None

    def _add(self, kind: str, resource: Json) -> None:
        self.resources.append((self.writing.identity.url(kind), kind, resource))

    def _observations(self) -> None:
        self._add(FOOT_RISK_KIND, foot_risk_category(self.writing))
        for number, graded in enumerate(self.writing.assessment.risk.ulcers, 1):
            self._add(f"ulcer-grades-{number}", ulcer_grades(self.writing, number, graded))
        self._add(NEUROPATHY_KIND, neuropathy_classification(self.writing))
        for score in self.writing.assessment.scores:
            self._add(score.id, score_observation(self.writing, score))

    def _risks(self) -> None:
        for id, standing in self.writing.assessment.risk.standings.items():
            self._add(id, risk_assessment(self.writing, standing))
        prognosis = prognosis_assessment(self.writing)
        if prognosis is not None:
            self._add(PODUS, prognosis)

    def _plan(self) -> None:
        for referral in self.writing.assessment.plan.referrals:
            self._add(request_kind(referral), service_request(self.writing, referral))

    def _contradictions(self) -> None:
        for number, contradiction in enumerate(self.writing.assessment.examination.contradictions, 1):
            self._add(f"contradiction-{number}", detected_issue(self.writing, number, contradiction))

    def entries(self, form: Form) -> list[Json]:
        """The Bundle entries. A transaction leaves out what a server does not keep: the outcome and the trace."""
        if form == "transaction":
            return [self._create(url, kind, resource) for url, kind, resource in self.resources]
        entries: list[Json] = [{"fullUrl": url, "resource": resource} for url, _, resource in self.resources]
        identity = self.writing.identity
        entries.append({"fullUrl": identity.url("outcome"), "resource": self.outcome})
        if self.trace is not None:
            entries.append({"fullUrl": identity.url("trace"), "resource": self.trace})
        return entries

    def _create(self, url: str, kind: str, resource: Json) -> Json:
        if kind == "software":
            condition = f"identifier={SOFTWARE_SYSTEM}|{SOFTWARE_VALUE}"
        elif kind == "provenance":
            condition = f"_tag={ANSWER_SYSTEM}|{self.writing.identity.content}"
        else:
            condition = f"identifier={ANSWER_SYSTEM}|{self.writing.identity.content}-{kind}"
        request = {"method": "POST", "url": resource["resourceType"], "ifNoneExist": condition}
        return {"fullUrl": url, "resource": _without_loose_links(resource), "request": request}


def answer_bundle(
    assessments: Iterable[Assessment],
    form: Form = "collection",
    trace: bool = False,
    rest: Intake | None = None,
    pictured: bool = False,
    reported: bool = True,
) -> Json:
    """One Bundle for one or several patients. `rest` is the account of resources that belong to none of several.

    `pictured` attaches the picture of both legs to the report; without `reported` there is no DiagnosticReport.
    """
    written = [Written(assessment, trace, pictured, reported) for assessment in assessments]
    entries: list[Json] = []
    seen: set[str] = set()
    for answer in written:
        for entry in answer.entries(form):
            if entry["fullUrl"] not in seen:
                seen.add(entry["fullUrl"])
                entries.append(entry)
    if rest is not None and form == "collection" and any(rest.counts.values()):
        entries.append({"resource": outcome(rest.issues, rest.counts)})
    bundle: Json = {"resourceType": "Bundle", "type": form, "entry": entries}
    if len(written) == 1:
        bundle["identifier"] = {"system": ANSWER_SYSTEM, "value": written[0].writing.identity.content}
    return bundle


def _without_loose_links(resource: Json) -> Json:
    """The resource for a server that does not know the urn:uuid of our inputs: those links become logical references."""
    loose: Json = {}
    for name in ("basis", "derivedFrom", "implicated", "entity"):
        if any(_is_urn(_target(entry)) for entry in resource.get(name, ())):
            loose[name] = [_logical(entry) for entry in resource[name]]
    subject = "patient" if "patient" in resource else "subject"
    if subject in resource and str(resource[subject].get("reference", "")).startswith("urn:"):
        known = resource[subject]
        loose[subject] = {"identifier": known["identifier"]} if "identifier" in known else _logical(known)
    return {**resource, **loose} if loose else resource


def _target(entry: Json) -> Json:
    target: Json = entry.get("what", entry)
    return target


def _is_urn(reference: Json) -> bool:
    return str(reference.get("reference", "")).startswith("urn:")


def _logical(entry: Json) -> Json:
    reference = _target(entry)
    if not _is_urn(reference):
        return entry
    logical = {"identifier": {"system": "urn:ietf:rfc:3986", "value": reference["reference"]}}
    return {**entry, "what": logical} if "what" in entry else logical
