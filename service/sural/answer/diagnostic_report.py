"""The DiagnosticReport: what a colleague would read out, for readers that show only reports, with the picture where it is asked for."""

from base64 import b64encode
from html import escape

from sural import canonical
from sural.answer.content import Content, content
from sural.answer.neuropathy_words import said_certainty, said_character, said_patterns
from sural.answer.parts import Json, Writing, concept, meta
from sural.answer.reasons import said_threat
from sural.answer.risk_assessments import said_range
from sural.answer.wording import in_sentence, listed

REPORT_KIND = "assessment-report"
REPORT_TITLE = "Report of a foot and lower-limb assessment"
_LEFT_OUT = ("input",)


def diagnostic_report(writing: Writing, results: list[Json], pictured: bool) -> Json:
    """The report of one patient; `results` are references to the derived Observations."""
    said = content(writing.assessment)
    resource: Json = {
        "resourceType": "DiagnosticReport",
        "meta": meta(REPORT_KIND),
        "text": {"status": "generated", "div": _div(said)},
        "identifier": writing.identity.identifiers(REPORT_KIND),
        "status": writing.status,
        "code": concept(canonical.FACTOR, REPORT_KIND, REPORT_TITLE),
        "subject": writing.subject,
        **writing.effective,
        "result": results,
        "conclusion": conclusion(writing),
    }
    if pictured:
        from sural.answer.picture import picture

        data = b64encode(picture(writing.assessment).encode()).decode()
        title = "Both legs, front and soles"
        resource["presentedForm"] = [
            {
                "contentType": "image/svg+xml",
                "language": "en",
                "data": data,
                "title": title,
                "creation": writing.as_of.isoformat(),
            }
        ]
    return resource


def conclusion(writing: Writing) -> str:
    """The answer in one paragraph: what is urgent, the foot risk by the scheme of the pathway, the neuropathy and how sure it is."""
    assessment = writing.assessment
    found, risk = assessment.neuropathy, assessment.risk
    urgent = [*(said_threat(threat, risk) for threat in risk.threats), *(in_sentence(raised.flag.text) for raised in found.urgent)]
    standing = risk.standings[assessment.plan.pathway.scheme]
    parts = [f"Urgent: {listed(urgent)}."] if urgent else []
    parts.append(f"{said_range(standing.scheme, standing.reach)}.")
    parts.append(
        f"{said_patterns(found)}. {said_character(found)}. Toronto 2010: {said_certainty(found.certainty['toronto-2010'])}."
    )
    return " ".join(parts)


def _div(said: Content) -> str:
    alarms = "".join(f"<p><b>{escape(alarm)}</b></p>" for alarm in said.alarms)
    sections = "".join(
        f"<h3>{escape(section.title)}</h3><ul>{''.join(f'<li>{escape(line)}</li>' for line in section.lines)}</ul>"
        for section in said.sections
        if section.key not in _LEFT_OUT
    )
    cautions = "".join(f"<p>{escape(caution)}</p>" for caution in said.cautions)
    heading = f"<h2>{escape(said.heading)}</h2><p>{escape(said.examined)}</p>"
    return f'<div xmlns="http://www.w3.org/1999/xhtml">{heading}{alarms}{sections}{cautions}</div>'
