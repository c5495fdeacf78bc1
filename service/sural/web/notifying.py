"""The delivery of notifications, as long as an application runs."""

import asyncio
from collections.abc import AsyncIterator, Callable
from contextlib import AbstractAsyncContextManager, asynccontextmanager, suppress

from fastapi import FastAPI

from sural.ledger.database import Unavailable
from sural.ledger.resources import Resources
from sural.subscriptions.delivery import Delivery, lines
from sural.subscriptions.outbox import Outbox
from sural.web.audit import Write
from sural.web.settings import Settings
from sural.web.stored import Opened

AGAIN = 2.0
"""Seconds between two attempts to open the ledger."""


def delivery(resources: Resources, settings: Settings, write: Write | None) -> Delivery:
    """A delivery by the settings of a site. `write` takes AuditEvents as lines."""
    return Delivery(Outbox(resources, settings.subscriptions), settings.may_notify, settings.reach(), lines(write) if write else None)


def notifying(opened: Opened, settings: Settings, write: Write | None) -> Callable[[FastAPI], AbstractAsyncContextManager[None]]:
    """Delivers while an application runs."""

    @asynccontextmanager
    async def lifespan(_: FastAPI) -> AsyncIterator[None]:
        task = asyncio.create_task(_deliver(opened, settings, write))
        try:
            yield
        finally:
            task.cancel()
            with suppress(asyncio.CancelledError):
                await task

    return lifespan


async def _deliver(opened: Opened, settings: Settings, write: Write | None) -> None:
    """Deliver from a ledger, as soon as it can be opened."""
    while True:
        try:
            resources = await asyncio.to_thread(opened.resources)
            break
        except Unavailable:
            await asyncio.sleep(AGAIN)
    await delivery(resources, settings, write).run()
