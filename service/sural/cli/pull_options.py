"""The options of `sural pull`."""

import argparse
import re
from datetime import timedelta

import msgspec

_ID = re.compile(r"(?!\.{1,2}$)[A-Za-z0-9\-.]{1,64}")


def pulling(command: argparse.ArgumentParser) -> None:
    """Where from, as whom, what, how, and where the ledger is."""
    command.add_argument(
        "--from", dest="base", metavar="URL", help="address of the FHIR R4 endpoint; https, or http on this machine"
    )
    group = authorisation(command)
    group.add_argument("--show-jwks", action="store_true", help="print the public keys as a JWKS and stop")
    _selection(command.add_argument_group("who is pulled"))
    _manner(command.add_argument_group("manner"))
    command.set_defaults(run=_run)


def authorisation(command: argparse.ArgumentParser) -> argparse._ArgumentGroup:
    """As whom a record system is asked, and which hosts may be."""
    group = command.add_argument_group("authorisation", "SMART Backend Services; secrets come from files only")
    group.add_argument("--client-id", metavar="ID", help="the client id; without it no token is asked for")
    group.add_argument(
        "--key", action="append", default=[], metavar="FILE",
        help="private key (PEM, JWK or JWKS; RSA or P-384), also by SURAL_PULL_KEY_FILE; the first signs, all are published",
    )  # fmt: skip
    group.add_argument(
        "--jwks-url", metavar="URL", help="where the public keys are published, when the server wants it in the assertion"
    )
    group.add_argument("--scope", metavar="SCOPES", help="scopes to ask for; default: to read and search what is read")
    group.add_argument("--token-file", metavar="FILE", help="a bearer token had by other means, also by SURAL_PULL_TOKEN_FILE")
    group.add_argument(
        "--allow-host", action="append", default=[], metavar="HOST", help="another host that may be asked, without the token"
    )
    group.add_argument("--trust-host", action="append", default=[], metavar="HOST", help="another host that may see the token")
    return group


def _selection(group: argparse._ArgumentGroup) -> None:
    group.add_argument("--since", type=instant, metavar="INSTANT", help="changes since then; default: since the last pull, at first everything")
    group.add_argument("--patient", type=resource_id, action="append", default=[], metavar="ID", help="only this patient; leaves the marks alone")
    group.add_argument("--group", type=resource_id, metavar="ID", help="only members of this Group")
    group.add_argument("--bulk", action="store_true", help="find changes by a Bulk Data export instead of searches")
    group.add_argument("--every-observation", action="store_true", help="ask for all Observations, not by code")
    group.add_argument(
        "--overlap",
        type=span,
        default=timedelta(minutes=5),
        metavar="DURATION",
        help="start this long before the mark; default PT5M",
    )


def _manner(group: argparse._ArgumentGroup) -> None:
    group.add_argument(
        "--search", choices=("auto", "get", "post"), default="auto", help="how to search; default post where the server takes it"
    )
    group.add_argument("--concurrency", type=at_least_one, default=8, metavar="N", help="requests at the same time; default 8")
    group.add_argument(
        "--every", type=pause, default=None, metavar="DURATION", help="go on and pull again this often, such as PT15M"
    )
    group.add_argument(
        "--database", default="sqlite:///sural-ledger.sqlite", metavar="URL", help="the ledger; default sural-ledger.sqlite here"
    )
    group.add_argument(
        "--store", action="store_true",
        help="keep each answer in the ledger, to be searched, exported and recalled by: once, amended when a finding was",
    )  # fmt: skip
    group.add_argument(
        "--write-back", action="store_true",
        help="write each answer back: created once, amended when a finding was, withdrawn with what it rested on",
    )  # fmt: skip
    group.add_argument(
        "--dry-run", action="store_true", help="read and assess, but keep no mark; with --write-back, say what would be written"
    )


def instant(text: str) -> str:
    """A FHIR instant, or a day."""
    from sural.exam.moment import moment

    if moment(text) is None:
        raise argparse.ArgumentTypeError("not an instant such as 2026-03-02T08:00:00Z, nor a day such as 2026-03-02")
    return text


def span(text: str) -> timedelta:
    """A positive ISO 8601 duration of days and times."""
    try:
        found = msgspec.convert(text, timedelta)
    except msgspec.ValidationError:
        found = timedelta(-1)
    if found < timedelta(0):
        raise argparse.ArgumentTypeError("not a duration such as PT15M")
    return found


def pause(text: str) -> timedelta:
    """A duration above nought."""
    found = span(text)
    if not found:
        raise argparse.ArgumentTypeError("not a duration above nought such as PT15M")
    return found


def resource_id(text: str) -> str:
    """An id of a FHIR resource."""
    if not _ID.fullmatch(text):
        raise argparse.ArgumentTypeError("not an id of a resource: up to 64 letters, digits, hyphens and full stops")
    return text


def at_least_one(text: str) -> int:
    """A whole number from 1."""
    if not text.isascii() or not text.isdigit() or int(text) < 1:
        raise argparse.ArgumentTypeError("not a number from 1")
    return int(text)


def _run(options: argparse.Namespace) -> int:
    from sural.cli.pull import run

    return run(options)
