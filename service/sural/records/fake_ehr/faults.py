"""The bad days of the fake EHR, each a switch. All are off at first."""

from typing import Any

import msgspec
from msgspec import Struct


class Faults(Struct, frozen=True, forbid_unknown_fields=True, rename="kebab"):
    """What goes wrong. Numbers that say "every" count the requests to the FHIR endpoint.

    throttle_every       every n-th request gets 429 with Retry-After
    retry_after          seconds in Retry-After
    retry_after_as_date  write it as an HTTP date
    fail_every           every n-th request gets 502 with a page of a proxy
    slow                 seconds before every answer
    wrong_type_every     every n-th answer is a page, with status 200
    expire_tokens        tokens are taken for expired after this many uses
    narrow_scope         types of resources that are left out of the granted scope
    looping_next         the last page links to the first
    missing_page         the second page is gone (410)
    lost_page            the link to the next page skips one
    foreign_next         the link to the next page is on another host
    relative_next        the link to the next page is relative
    ignore               search parameters that are ignored, as shown by the self link
    most_codes           searches for more codes than this fail (500), as on a database with a limit
    no_post_search       searches by POST get 405
    empty_post_search    searches by POST find nothing, as where their body is not read
    no_transaction       transactions get 501
    broken_promise       transactions get 501 although the CapabilityStatement promises them
    weak_conditions      If-None-Exist is not heeded
    no_identifier        types of resources that are not searched by identifier (400), nor created on that condition
    as_batch             transactions are done entry by entry: what cannot be done fails alone, with status 200 of the whole
    no_body              creates and updates are answered without a body, whatever Prefer says
    truncate             searches give this many matches at most, and say so in an OperationOutcome only
    lose_reply_every     every n-th transaction is kept, but its answer is lost (502)
    gone                 types of resources that are not served (404)
    partial_export       the last file of an export is missing, and an error file says so
    paged_manifest       the manifest comes in parts, joined by a next link
    broken_lines         an export file holds a line that is not JSON
    lost_file_every      every n-th download of an export file is cut off in the middle
    files_need_token     requiresAccessToken of the manifest
    compressed_files     files come as .gz files rather than with a content encoding
    deleted              an export names some resources as deleted
    """

    throttle_every: int = 0
    retry_after: int = 1
    retry_after_as_date: bool = False
    fail_every: int = 0
    slow: float = 0.0
    wrong_type_every: int = 0
    expire_tokens: int = 0
    narrow_scope: tuple[str, ...] = ()
    looping_next: bool = False
    missing_page: bool = False
    lost_page: bool = False
    foreign_next: bool = False
    relative_next: bool = False
    ignore: tuple[str, ...] = ()
    most_codes: int = 0
    no_post_search: bool = False
    empty_post_search: bool = False
    no_transaction: bool = False
    broken_promise: bool = False
    weak_conditions: bool = False
    no_identifier: tuple[str, ...] = ()
    as_batch: bool = False
    no_body: bool = False
    truncate: int = 0
    lose_reply_every: int = 0
    gone: tuple[str, ...] = ()
    partial_export: bool = False
    paged_manifest: bool = False
    broken_lines: bool = False
    lost_file_every: int = 0
    files_need_token: bool = True
    compressed_files: bool = False
    deleted: tuple[str, ...] = ()


def faults(content: Any) -> Faults:
    """The switches of a JSON object. Raises ValueError for one that does not exist or does not take its value."""
    return msgspec.convert(content, Faults)


def from_options(options: list[str]) -> Faults:
    """The switches of options such as `throttle-every=5`, `looping-next` or `ignore=code,_lastUpdated`. Raises ValueError."""
    content: dict[str, Any] = {}
    kinds = {field.encode_name: field.type for field in msgspec.structs.fields(Faults)}
    for option in options:
        name, given, text = option.partition("=")
        kind = kinds.get(name)
        if kind is None:
            raise ValueError(f"no such fault: {name}; there are {', '.join(kinds)}")
        if kind is bool:
            content[name] = text.lower() in ("", "true", "yes", "on") if given else True
        else:
            content[name] = text if kind in (int, float) else [part for part in text.split(",") if part]
        try:
            msgspec.convert({name: content[name]}, Faults, strict=False)
        except msgspec.ValidationError:
            raise ValueError(f"--fault {name} takes a number, such as {name}=5") from None
    return msgspec.convert(content, Faults, strict=False)


def described(switches: Faults) -> Any:
    """The switches as a JSON object."""
    return msgspec.to_builtins(switches)
