"""What is asked of an operation in the query of its address."""

from datetime import date

from fastapi import Request

from sural.doors.accepted import accepted
from sural.doors.request import Request as Asked
from sural.doors.request import with_parameters
from sural.intake.documents import Parameter
from sural.issues import Issue, Refused
from sural.web.accepting import FHIR_JSON

FLAGS = ("trace", "preliminary")
BODY = {
    "requestBody": {
        "required": True,
        "content": {FHIR_JSON: {"schema": {"type": "object", "required": ["resourceType"]}}},
    }
}


def asked_by_query(request: Request, check: bool, names: tuple[str, ...]) -> tuple[Asked, bool]:
    """The request as the query states it, and whether to check. `names` are the parameters that may stand in it, beside `check` and
    `_format`. Raises Refused with every parameter that is unknown or cannot be used."""
    parameters: list[Parameter] = []
    issues: list[Issue] = []
    checks: list[str] = []
    for name, text in request.query_params.multi_items():
        if name == "_format":
            continue
        if name == "check":
            checks.append(text)
            if text not in ("structure", "none") or len(checks) > 1:
                issues.append(Issue("parameter-invalid", "http.check", f"check: {'stands twice' if len(checks) > 1 else accepted('check')}"))
        else:
            value = {"true": True, "false": False}.get(text, text) if name in FLAGS else text
            parameters.append(Parameter(name if name in names else "", value, path=f"http.{name}"))
    try:
        asked = with_parameters(Asked(date.today()), parameters, (*names, "check"))
    except Refused as refused:
        raise Refused(*issues, *refused.issues) from None
    if issues:
        raise Refused(*issues)
    return asked, checks == ["structure"] or (check and not checks)
