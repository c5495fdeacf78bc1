"""`sural serve` and `sural demo`."""

import uvicorn

from sural.cli.reading import say
from sural.doors.cases import cases
from sural.web.app import create_app


def run(host: str, port: int, check: bool) -> int:
    """Serve until interrupted. Access logs are off: addresses may hold identifiers."""
    uvicorn.run(create_app(check=check), host=host, port=port, log_level="warning", access_log=False)
    return 0


def run_demo(host: str, port: int) -> int:
    """Serve with the fixture cases and say where to look."""
    base = f"http://{host}:{port}"
    say(f"{len(cases())} cases of the Skerrow Islands community foot service (invented people)")
    say(f"  {base}/demo                                 the cases, each with its report")
    say(f"  {base}/fhir/metadata                        what the service can do")
    say(f"  curl -s {base}/fhir/\\$assess-lower-limb?as-of=2026-03-02 -H 'Content-Type: application/fhir+json' -d @BUNDLE.json")
    say("Stop with Ctrl-C.")
    uvicorn.run(create_app(demo=True), host=host, port=port, log_level="warning", access_log=False)
    return 0
