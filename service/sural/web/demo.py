"""Pages over the fixture cases: what came in, what was asked, the report."""

from html import escape

from fastapi.responses import HTMLResponse, Response

from sural.doors.assessor import reports
from sural.doors.cases import Case, case, cases
from sural.issues import Issue, Refused
from sural.web.fhir import FhirResponse
from sural.web.routes import Route


def demo_routes() -> list[Route]:
    """`/demo`, `/demo/NAME` and `/demo/NAME/input`."""

    def index() -> str:
        rows = "".join(f'<li><a href="/demo/{one.name}">{escape(one.name)}</a>: {escape(one.title)}</li>' for one in cases())
        return _page("Cases of the Skerrow Islands community foot service", f"<p>Invented people.</p><ul>{rows}</ul>")

    def show(name: str) -> str:
        one = _case(name)
        text = "\n".join(text for answered in one.answers() for text in reports(answered))
        links = f'<p><a href="/demo">All cases</a> · <a href="/demo/{one.name}/input">The input</a></p>'
        return _page(one.title, f"{links}<pre>{escape(one.why)}</pre><pre>{escape(text)}</pre>")

    def shown_input(name: str) -> Response:
        return FhirResponse(_case(name).input.read_bytes())

    return [
        Route("/demo", index, response=HTMLResponse, open=True),
        Route("/demo/{name}", show, response=HTMLResponse, open=True),
        Route("/demo/{name}/input", shown_input, open=True),
    ]


def _case(name: str) -> Case:
    try:
        return case(name)
    except KeyError:
        raise Refused(Issue("not-found")) from None


def _page(title: str, body: str) -> str:
    style = "body{font:1rem/1.5 system-ui,sans-serif;margin:2rem auto;max-width:70rem;padding:0 1rem}pre{white-space:pre-wrap}"
    return f'<!doctype html><html lang="en"><head><meta charset="utf-8"><title>{escape(title)}</title><style>{style}</style></head><body><h1>{escape(title)}</h1>{body}</body></html>'
