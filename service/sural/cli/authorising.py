"""Who a record system is asked as: SMART Backend Services, or a token had by other means. Secrets come from files only."""

import os
from argparse import Namespace
from collections.abc import Iterable
from contextlib import AsyncExitStack
from pathlib import Path

from sural.records.addresses import Addresses
from sural.records.criteria import READ
from sural.records.http import Authoriser, Connection, Manner
from sural.records.keys import SigningKey, read_keys
from sural.records.scopes import scopes, well_formed
from sural.records.smart import BackendService, Configuration, FixedToken

KEY, TOKEN = "SURAL_PULL_KEY_FILE", "SURAL_PULL_TOKEN_FILE"


def check_scope(options: Namespace) -> None:
    """Raises ValueError for a --scope that asks for none."""
    if options.scope and not well_formed(options.scope):
        raise ValueError("--scope: not scopes of a back-end service, such as system/Observation.rs")


async def authorised(
    options: Namespace, addresses: Addresses, manner: Manner, stack: AsyncExitStack, written: Iterable[str] = (), followed: Iterable[str] = ()
) -> Authoriser | None:
    """Who gives out tokens, when any are needed; to read what is read and the types `followed`, and to write the types `written`. Raises KeyUnusable or ValueError."""
    token_file = options.token_file or os.environ.get(TOKEN)
    if options.client_id is None:
        return FixedToken(Path(token_file)) if token_file else None
    plain = await stack.enter_async_context(Connection(addresses, None, manner))

    def asked(configuration: Configuration) -> str:
        return options.scope or scopes((*READ, *followed), tuple(written), old=configuration.old_scopes)

    return BackendService(plain, options.client_id, keys(options)[0], asked, jku=options.jwks_url)


def keys(options: Namespace) -> list[SigningKey]:
    """The private keys of the options or the environment. Raises KeyUnusable or ValueError."""
    files = options.key or [one for one in (os.environ.get(KEY),) if one]
    if not files:
        raise ValueError(f"needs --key FILE, or {KEY} in the environment")
    return [key for file in files for key in read_keys(Path(file))]
