"""The records of some patients of a record system, for `sural intake --from`."""

import asyncio
from argparse import Namespace
from collections.abc import Iterator
from contextlib import AsyncExitStack

from sural.cli.authorising import authorised, check_scope
from sural.cli.reading import say
from sural.issues import Issue, Refused
from sural.records.addresses import Addresses
from sural.records.faults import RecordsFault
from sural.records.http import Connection, Manner
from sural.records.sampling import sample as sampled


def sample(options: Namespace) -> Iterator[bytes]:
    """Each patient's record as a Bundle. Raises Refused when the record system cannot be read; what it remarked is said at the end."""
    remarks: dict[str, int] = {}

    def remark(text: str) -> None:
        remarks[text] = remarks.get(text, 0) + 1

    async def work() -> list[bytes]:
        check_scope(options)
        addresses = Addresses(options.source, options.allow_host, options.trust_host)
        async with AsyncExitStack() as stack:
            authoriser = await authorised(options, addresses, Manner(), stack)
            connection = await stack.enter_async_context(Connection(addresses, authoriser))
            return [bundle async for bundle in sampled(connection, options.patients, remark)]

    try:
        yield from asyncio.run(work())
    except (RecordsFault, ValueError) as fault:
        raise Refused(Issue("not-found", diagnostics=str(fault)[:200])) from None
    finally:
        for text, times in sorted(remarks.items()):
            say(f"{times} × {text}")
