"""`sural serve` and `sural demo`."""

import gc
import ipaddress
from argparse import Namespace
from contextlib import suppress
from socket import socket
from threading import Thread

import uvicorn
from fastapi import FastAPI

from sural.canonical import RULE_SET, VERSION
from sural.cli import logs
from sural.cli.reading import say
from sural.cli.settings import settings_of
from sural.doors.assessor import structural_check, transactions
from sural.doors.cases import cases
from sural.issues import Refused
from sural.ledger.database import look_at
from sural.ledger.keeping import keep
from sural.ledger.resources import Resources
from sural.web.app import create_app
from sural.web.settings import Settings

KEEP_ALIVE = 75
"""Seconds for which a connection without a request stays open: longer than proxies keep theirs, so that none sends into one that is closed."""
GRACE = 60
"""Seconds that requests in flight have to end when the service is stopped."""


def run(options: Namespace) -> int:
    """Serve until interrupted. Beyond this machine only with authentication, or when it is said that there shall be none.

    The server's own access log is off: addresses may hold identifiers. Ours holds route templates.
    """
    try:
        settings = settings_of(options.settings) if options.settings else Settings()
        look_at(options.database)
    except ValueError as fault:
        say(f"sural serve: {fault}")
        return 2
    if not may_listen(options.host, settings, options.without_authentication):
        say(
            f"sural serve: will not listen on {options.host} without authentication; see docs/security.md, or say --without-authentication"
        )
        return 2
    if options.access_log:
        logs.show("sural.access", "sural.notifications")
    deliver = bool(settings.outbound.subscribers) and not options.without_notifications
    app = create_app(check=options.check == "structure", settings=settings, database=options.database, deliver=deliver)
    return listen(app, options.host, options.port)


def run_demo(host: str, port: int) -> int:
    """Serve with the fixture cases and say where to look."""
    if not is_loopback(host):
        say(f"sural demo: will not listen on {host}; the demonstration is for this machine")
        return 2
    base = f"http://{host}:{port}"
    say(f"{len(cases())} cases of the Skerrow Islands community foot service (invented people)")
    say(f"  {base}/demo                                 the cases, each with its report")
    say(f"  {base}/fhir/metadata                        what the service can do")
    say(f"  curl -s {base}/fhir/\\$assess-lower-limb?as-of=2026-03-02 -H 'Content-Type: application/fhir+json' -d @BUNDLE.json")
    say(f"  {base}/fhir/RiskAssessment?_sort=-date       their answers, stored in memory while it serves")
    app = create_app(demo=True)
    Thread(target=store_cases, args=[app.state.ledger.resources()], daemon=True).start()
    return listen(app, host, port)


def store_cases(resources: Resources) -> int:
    """Keep the answers to the fixture cases; how many there are. Two cases may be about one examination: the later then amends it."""
    kept = 0
    for case in cases():
        for answered in case.answers():
            for answer in transactions(answered):
                try:
                    kept += bool(keep(resources, answer).changed)
                except Refused:
                    continue  # another case has the same examination for another person
    return kept


def may_listen(host: str, settings: Settings, open_to_all: bool) -> bool:
    """Whether the service may listen on a host: on loopback always, elsewhere with authentication or on one's explicit word."""
    return is_loopback(host) or settings.authenticated or open_to_all


def is_loopback(host: str) -> bool:
    """Whether a host to listen on is only this machine; the empty name is every address."""
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


def listen(app: FastAPI, host: str, port: int) -> int:
    """Serve until interrupted; the exit status, 1 when the address cannot be had. What is loaded by then stays, so the collection of garbage need not look at it with each request."""
    structural_check()
    gc.collect()
    gc.freeze()
    config = uvicorn.Config(
        app, host=host, port=port, log_level="warning", access_log=False, server_header=False, timeout_keep_alive=KEEP_ALIVE,
        timeout_graceful_shutdown=GRACE,
    )  # fmt: skip
    server = _Server(config, f"Sural {VERSION}, rule set {RULE_SET}: http://{f'[{host}]' if ':' in host else host}:{port}/ (Ctrl-C stops it)")
    with suppress(KeyboardInterrupt, SystemExit):
        server.run()
    return 0 if server.started else 1


class _Server(uvicorn.Server):
    """Says where it listens once it does."""

    def __init__(self, config: uvicorn.Config, listening: str) -> None:
        super().__init__(config)
        self._listening = listening

    async def startup(self, sockets: list[socket] | None = None) -> None:
        await super().startup(sockets)
        if self.started:
            say(self._listening)
