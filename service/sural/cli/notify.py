"""`sural notify`: the delivery of notifications in a process of its own, beside a service or several."""

import asyncio
from argparse import Namespace

from sural.cli import logs
from sural.cli.reading import say
from sural.cli.settings import settings_of
from sural.ledger.database import Unavailable, is_there
from sural.ledger.resources import Resources
from sural.ledger.store import Ledger
from sural.web.audit import log_to
from sural.web.notifying import delivery


def run(options: Namespace) -> int:
    """Deliver until interrupted, or what can be delivered now."""
    try:
        settings = settings_of(options.settings)
        if not is_there(options.database):
            say("sural notify: there was no such ledger; an empty one is made, and nobody subscribes in it yet")
        resources = Resources(Ledger(options.database))
    except Unavailable as fault:
        say(f"sural notify: {fault}")
        return 1
    except ValueError as fault:
        say(f"sural notify: {fault}")
        return 2
    if not settings.outbound.subscribers:
        say("sural notify: no server may be notified; outbound.subscribers in the settings names them, see docs/subscriptions.md")
        return 2
    if options.log:
        logs.show("sural.notifications")
    delivering = delivery(resources, settings, log_to(settings.audit.file) if settings.audit.file else None)
    if options.once:
        say(f"sural notify: {asyncio.run(delivering.once())} notifications sent")
    else:
        asyncio.run(delivering.run())
    return 0
