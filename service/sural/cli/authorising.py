"""Who a record system is asked as: SMART Backend Services, or a token had by other means. Secrets come from files only."""

import os
from argparse import Namespace
from collections.abc import Iterable
from contextlib import AsyncExitStack
from pathlib import Path

from sural.doors.outbound import origin
from sural.records.addresses import Addresses
from sural.records.criteria import READ
from sural.records.http import Authoriser, Connection, Manner
from sural.records.keys import KeyUnusable, SigningKey, read_keys
from sural.records.scopes import scopes, well_formed
from sural.records.smart import BackendService, Configuration, FixedToken

KEY, TOKEN = "SURAL_PULL_KEY_FILE", "SURAL_PULL_TOKEN_FILE"


def check_authorisation(options: Namespace) -> None:
    """Raises ValueError for what cannot be asked with: a --scope that asks for none, an address that is none, files that cannot be read."""
    if options.scope and not well_formed(options.scope):
        raise ValueError("--scope: not scopes of a back-end service, such as system/Observation.rs")
    if options.jwks_url and origin(options.jwks_url) is None:
        raise ValueError("--jwks-url: not an address such as https://foot.skerrow.example/jwks")
    if options.client_id is not None:
        keys(options)
    elif file := options.token_file or os.environ.get(TOKEN):
        try:
            Path(file).read_bytes()
        except OSError as fault:
            raise ValueError(f"{'--token-file' if options.token_file else TOKEN} {file}: {fault.strerror}") from None


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
    try:
        return [key for file in files for key in read_keys(Path(file))]
    except KeyUnusable as fault:
        raise KeyUnusable(f"{'--key' if options.key else KEY} {fault}") from None
