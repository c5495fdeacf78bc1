"""`sural cases`."""

from urllib.error import HTTPError, URLError
from urllib.parse import urlencode
from urllib.request import Request as HttpRequest
from urllib.request import urlopen

import orjson

from sural.cli.reading import say, write
from sural.doors.assessor import reports
from sural.doors.cases import Case, case, cases


def run_list() -> int:
    """One line per case."""
    for one in cases():
        write(f"{one.name:<44} {one.title}".encode())
    return 0


def run_show(name: str) -> int:
    """Why a case is there, its report, and where its files are."""
    try:
        one = case(name)
    except KeyError:
        say(f"sural: no case {name!r}; `sural cases list` names them")
        return 2
    write(one.why.strip().encode() + b"\n")
    for answered in one.answers():
        for text in reports(answered):
            write(text.encode())
    write(f"Input: {one.input}\nAsked: {one.folder / 'how.json'}\nExpected: {one.folder / 'expected.json'}".encode())
    return 0


def run_run(names: list[str], url: str | None) -> int:
    """Run cases here or against a service, and say which differ from what is expected."""
    chosen = [one for one in cases() if not names or one.name in names]
    unknown = set(names) - {one.name for one in chosen}
    if unknown:
        say(f"sural: no case {', '.join(sorted(unknown))}; `sural cases list` names them")
        return 2
    if url is not None and not url.startswith(("http://", "https://")):
        say("sural: --url: not an address such as http://127.0.0.1:8000/fhir")
        return 2
    try:
        return _run(chosen, url)
    except URLError as fault:
        say(f"sural: the service at {url} cannot be reached: {fault.reason}")
        return 1


def _run(chosen: list[Case], url: str | None) -> int:
    failed = 0
    for one in chosen:
        differences = one.differences(_remote(one, url) if url else one.documents())
        failed += bool(differences)
        write(f"{'differs' if differences else 'as expected':<12} {one.name}".encode())
        for line in differences:
            write(f"             {line}".encode())
    write(f"{len(chosen) - failed} of {len(chosen)} cases as expected.".encode())
    return 1 if failed else 0


def _remote(one: Case, base: str) -> list[object]:
    """The summaries a running service gives for a case."""
    how = one.how
    given = [("as-of", how.as_of), ("lookback", how.lookback), ("pathway", how.pathway), ("output", "summary")]
    given += [("scheme", scheme) for scheme in how.scheme] + [("complete", group) for group in how.complete]
    given += [("calendar", how.calendar)] if how.calendar else []
    given += [("preliminary", "true")] if how.preliminary else []
    check = [("check", "structure" if how.check else "none")]
    headers = {"Content-Type": "application/fhir+ndjson" if one.input.suffix == ".ndjson" else "application/fhir+json"}
    data = one.input.read_bytes()
    if how.concept_map:
        data, given = _with_concept_map(one, data, given), []
    request = HttpRequest(f"{base.rstrip('/')}/$assess-lower-limb?{urlencode(given + check)}", data, headers)
    try:
        with urlopen(request) as response:
            body = response.read()
    except HTTPError as fault:
        body = fault.read()
    return [orjson.loads(line) for line in body.splitlines() if line.strip()]


def _with_concept_map(one: Case, data: bytes, given: list[tuple[str, str]]) -> bytes:
    """The request as FHIR Parameters, which is how a ConceptMap travels."""
    assert one.how.concept_map
    parameters: list[dict[str, object]] = [{"name": "exam", "resource": orjson.loads(data)}]
    parameters.append({"name": "concept-map", "resource": orjson.loads((one.folder / one.how.concept_map).read_bytes())})
    for name, value in given:
        parameters.append({"name": name, **({"valueBoolean": True} if value == "true" else {"valueString": value})})
    return orjson.dumps({"resourceType": "Parameters", "parameter": parameters})
