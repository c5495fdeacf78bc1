"""The records of some patients of a record system, for `sural intake --from`."""

import asyncio
from argparse import Namespace
from collections.abc import Iterator
from contextlib import AsyncExitStack

from sural.cli.authorising import authorised, check_authorisation
from sural.cli.reading import say
from sural.issues import Issue, Refused
from sural.records.addresses import Addresses
from sural.records.faults import RecordsFault
from sural.records.http import Connection, Manner
from sural.records.sampling import sample as sampled


def _checked(options: Namespace) -> Addresses:
    """The addresses that may be asked. Raises Refused for what cannot be."""
    try:
        check_authorisation(options)
        return Addresses(options.source, options.allow_host, options.trust_host)
    except ValueError as fault:
        raise Refused(Issue("parameter-invalid", diagnostics=str(fault)[:300])) from None


def sample(options: Namespace) -> Iterator[bytes]:
    """Each patient's record as a Bundle. Raises Refused when the record system cannot be read; what it remarked is said at the end."""
    remarks: dict[str, int] = {}

    def remark(text: str) -> None:
        remarks[text] = remarks.get(text, 0) + 1

    async def work() -> list[bytes]:
        addresses = _checked(options)
        async with AsyncExitStack() as stack:
            authoriser = await authorised(options, addresses, Manner(), stack)
            connection = await stack.enter_async_context(Connection(addresses, authoriser))
            return [bundle async for bundle in sampled(connection, options.patients, remark)]

    try:
        yield from asyncio.run(work())
    except RecordsFault as fault:
        raise Refused(Issue("records-unreadable", diagnostics=str(fault)[:200])) from None
    finally:
        for text, times in sorted(remarks.items()):
            say(f"{times} × {text}")
