"""`sural serve --fake-ehr`."""

from argparse import Namespace
from contextlib import suppress
from pathlib import Path

import orjson
import uvicorn

from sural.cli.reading import say
from sural.cli.serve import is_loopback
from sural.records.fake_ehr.app import FakeEhr
from sural.records.fake_ehr.faults import Faults, from_options
from sural.records.fake_ehr.population import fill
from sural.records.fake_ehr.store import Json, Store


def run_fake_ehr(options: Namespace) -> int:
    """Serve a scripted record system until interrupted. It has no protection worth the name, so it listens on this machine only."""
    try:
        if not is_loopback(options.host):
            raise ValueError("the fake EHR listens on this machine only: --host 127.0.0.1")
        faults: Faults = from_options(options.fault)
        clients = dict(_client(one) for one in options.client)
    except ValueError as wrong:
        say(f"sural serve: {wrong}")
        return 2
    store = Store()
    fill(store, options.fake_ehr)
    ehr = FakeEhr(store, clients, faults)
    base = f"http://{options.host}:{options.port}"
    say(f"A fake EHR with {options.fake_ehr} invented patients of the Skerrow Islands; it forgets everything when it stops")
    say(f"  {base}/fhir     FHIR R4{'; a token is needed' if clients else ''}")
    say(f"  {base}/control  GET shows its faults, PUT switches them")
    server = uvicorn.Server(uvicorn.Config(ehr.app, host=options.host, port=options.port, log_level="warning", access_log=False))
    with suppress(KeyboardInterrupt, SystemExit):
        server.run()
    return 0 if server.started else 1


def _client(option: str) -> tuple[str, Json]:
    """A client id and its JWKS. Raises ValueError."""
    id, given, file = option.partition("=")
    if not given:
        raise ValueError("--client takes ID=FILE")
    try:
        content = orjson.loads(Path(file).read_bytes())
    except OSError as fault:
        raise ValueError(f"--client {file} cannot be read: {fault.strerror}") from None
    except orjson.JSONDecodeError:
        content = None
    if not isinstance(content, dict) or "keys" not in content:
        raise ValueError(f"--client {file}: not a JWKS")
    return id, content
