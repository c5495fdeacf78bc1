"""A Subscription taken apart: what it is about, where notifications go, and how much they say.

Sources: FHIR R4, Subscription (criteria as a search, rest-hook without payload: an empty POST, with payload: an update at the endpoint as the
base of a service); HL7 Subscriptions R5 Backport for R4 (criteria as the canonical of a topic, filters, content, heartbeat, time-out, greatest
number of events). What is not offered is refused, with every fault that there is.
"""

import re
from collections.abc import Callable, Iterator
from typing import Any, Literal
from urllib.parse import parse_qsl, urlsplit

from msgspec import Struct

from sural.doors.outbound import origin
from sural.exam.moment import moment
from sural.issues import Issue, Refused
from sural.ledger.criteria import Asked, asked
from sural.ledger.parameters import SEARCHED
from sural.subscriptions.topics import BACKPORT, TOPICS

Json = dict[str, Any]
Content = Literal["none", "resource", "empty", "id-only", "full-resource"]
_LEVELS: dict[str, Content] = {"empty": "empty", "id-only": "id-only", "full-resource": "full-resource"}
MIMES = ("application/fhir+json", "application/json")
TIMEOUT, LONGEST_TIMEOUT = 10, 60
"""Seconds that an endpoint has to answer, where the Subscription does not say, and at most."""
MOST_EVENTS = 100
MOST_HEADERS, LONGEST_HEADER = 20, 8192
_EXTENSION = f"{BACKPORT}/StructureDefinition/backport-"
_HEADER = re.compile(r"([!#$%&'*+.^_`|~0-9A-Za-z-]+):([\x20-\x7e\t]*)")
_OURS = {
    "host", "content-length", "content-type", "content-encoding", "transfer-encoding", "connection", "keep-alive", "te", "trailer", "upgrade",
    "expect", "accept-encoding",
}  # fmt: skip
"""Headers that the sending itself decides about."""
Permits = Callable[[str, bool], bool]
"""Whether an endpoint may be notified; and, with True, whether it may be sent whole resources."""


class Channel(Struct, frozen=True):
    """What a Subscription asks for. `searches` all have to be met; `content` is `none` or `resource` for plain R4, else that of the backport.

    `ends` is in milliseconds since 1970, 0 for never; `heartbeat` and `timeout` in seconds, `most` events go into one notification.
    """

    kind: str
    searches: tuple[Asked, ...]
    endpoint: str
    content: Content
    mime: str = ""
    headers: tuple[tuple[str, str], ...] = ()
    topic: str = ""
    heartbeat: int = 0
    timeout: int = TIMEOUT
    most: int = 1
    ends: int = 0


def channel(resource: Json, base: str, now: int, permits: Permits | None = None) -> Channel:
    """What a Subscription asks for. `base` is our own address, `now` in milliseconds since 1970. With `permits` it is also judged whether the
    endpoint may be notified, and be sent that much, and whether the end is past. Raises Refused with every fault."""
    issues: list[Issue] = []
    given = resource["channel"]
    if resource.get("modifierExtension") or given.get("modifierExtension"):
        issues.append(Issue("modifier-extension", "Subscription.modifierExtension"))
    if given.get("type") != "rest-hook" or _extension(given.get("_type"), "channel-type"):
        issues.append(Issue("subscription-channel", "Subscription.channel.type"))
    criteria = str(resource["criteria"])
    topic = criteria.partition("|")[0] if "://" in criteria.partition("?")[0] else ""
    narrowed = [str(one.get("valueString", "")) for one in _extensions(resource.get("_criteria"), "filter-criteria")]
    kind, searches = _about(criteria, topic, narrowed, base, now, issues)
    content, mime = _content(given, topic, issues)
    endpoint = str(given.get("endpoint", ""))
    if origin(endpoint) is None or "#" in endpoint or (content == "resource" and urlsplit(endpoint).query):
        issues.append(Issue("subscription-endpoint", "Subscription.channel.endpoint"))
    headers = tuple(_headers(given.get("header", []), issues))
    most = _number(given, "max-count", "valuePositiveInt", issues) or 1
    found = Channel(
        kind, searches, endpoint, content, mime, headers, topic, _number(given, "heartbeat-period", "valueUnsignedInt", issues) if topic else 0,
        min(_number(given, "timeout", "valueUnsignedInt", issues) or TIMEOUT, LONGEST_TIMEOUT), _most(content, most), _ends(resource),
    )  # fmt: skip
    if permits is not None:
        issues += _unpermitted(found, permits, now)
    if issues:
        raise Refused(*dict.fromkeys(issues))
    return found


def _unpermitted(found: Channel, permits: Permits, now: int) -> Iterator[Issue]:
    if not permits(found.endpoint, False):
        yield Issue("subscription-endpoint", "Subscription.channel.endpoint")
    elif found.content in ("resource", "full-resource") and not permits(found.endpoint, True):
        yield Issue("subscription-payload", "Subscription.channel.payload", "whole resources are not sent to this endpoint")
    if 0 < found.ends <= now:
        yield Issue("subscription-ended", "Subscription.end")


def completed(resource: Json, found: Channel) -> Json:
    """The Subscription with the content that was taken where it does not say, so that whoever asked can see it."""
    if not found.topic or _extension(resource["channel"].get("_payload"), "payload-content"):
        return resource
    payload = resource["channel"].get("_payload") or {}
    said = {"url": f"{_EXTENSION}payload-content", "valueCode": found.content}
    own = {"payload": found.mime, "_payload": {**payload, "extension": [*payload.get("extension", ()), said]}}
    return {**resource, "channel": {**resource["channel"], **own}}


def _about(criteria: str, topic: str, narrowed: list[str], base: str, now: int, issues: list[Issue]) -> tuple[str, tuple[Asked, ...]]:
    """The type, and the searches that a resource has to meet."""
    if topic:
        kind, texts = TOPICS.get(topic, ""), narrowed
        if not kind:
            issues.append(Issue("subscription-criteria", "Subscription.criteria", "no such topic"))
            return "", ()
        texts = [text if "?" in text else f"{kind}?{text}" for text in narrowed]
    else:
        kind, texts = criteria.removeprefix("/").partition("?")[0], [criteria]
        if narrowed or kind not in SEARCHED:
            issues.append(Issue("subscription-criteria", "Subscription.criteria", "filters need a topic" if narrowed else "type not stored"))
            return "", ()
    return kind, tuple(one for text in texts if (one := _search(kind, text.removeprefix("/"), base, now, issues)) is not None)


def _search(kind: str, text: str, base: str, now: int, issues: list[Issue]) -> Asked | None:
    """One search of a type that is wholly understood; None for any other, with an issue."""
    own, _, query = text.partition("?")
    pairs = [pair for pair in parse_qsl(query, keep_blank_values=True) if pair[0] != "_format"]
    try:
        found = asked(kind, pairs, base, now * 1000)
    except Refused as refused:
        issues += [Issue("subscription-criteria", "Subscription.criteria", one.expression.removeprefix("http.")) for one in refused.issues]
        return None
    if own != kind or found.unknown or len(found.understood) != len(pairs):
        issues.append(Issue("subscription-criteria", "Subscription.criteria", "not a search of this type" if own != kind else "a parameter is not known"))
        return None
    return found


def _content(given: Json, topic: str, issues: list[Issue]) -> tuple[Content, str]:
    """How much is said, and the media type of it: id-only where a topic is subscribed to and nothing else is asked for."""
    mime, said = str(given.get("payload", "")), _extension(given.get("_payload"), "payload-content")
    kind, _, parameters = mime.partition(";")
    if mime and (kind.strip().lower() not in MIMES or not _plain(parameters)):
        issues.append(Issue("subscription-payload", "Subscription.channel.payload", "only FHIR JSON is sent"))
    if not topic:
        if said is not None:
            issues.append(Issue("subscription-payload", "Subscription.channel.payload", "a content level needs a topic"))
        return ("resource" if mime else "none"), mime
    level = _LEVELS.get("id-only" if said is None else str(said.get("valueCode", "")))
    if level is None:
        issues.append(Issue("subscription-payload", "Subscription.channel.payload", "no such content level"))
    return level or "id-only", mime or MIMES[0]


def _plain(parameters: str) -> bool:
    """Whether the parameters of a media type ask for nothing but R4 in UTF-8."""
    known = {"": ("",), "charset": ("utf-8",), "fhirversion": ("4.0", "4.0.1")}
    pairs = (one.partition("=") for one in parameters.split(";"))
    return all(value.strip().strip('"').lower() in known.get(name.strip().lower(), ()) for name, _, value in pairs)


def _headers(given: list[Any], issues: list[Issue]) -> Iterator[tuple[str, str]]:
    if len(given) > MOST_HEADERS:
        issues.append(Issue("subscription-header", "Subscription.channel.header", f"limit: {MOST_HEADERS}"))
    for number, line in enumerate(given):
        found = _HEADER.fullmatch(str(line)) if len(str(line)) <= LONGEST_HEADER else None
        if found is None or found[1].lower() in _OURS:
            issues.append(Issue("subscription-header", f"Subscription.channel.header[{number}]"))
        else:
            yield found[1], found[2].strip(" \t")


def _most(content: Content, most: int) -> int:
    """How many events go into one notification: an empty POST says no more of many than of one; an update is of one resource."""
    return MOST_EVENTS if content == "none" else 1 if content == "resource" else min(most, MOST_EVENTS)


def _ends(resource: Json) -> int:
    when = moment(str(resource.get("end", "")))
    return max(round(when.start * 1000), 1) if when else 0


def _extensions(element: Any, name: str) -> list[Json]:
    listed = element.get("extension", []) if isinstance(element, dict) else []
    return [one for one in listed if isinstance(one, dict) and one.get("url") == f"{_EXTENSION}{name}"]


def _extension(element: Any, name: str) -> Json | None:
    found = _extensions(element, name)
    return found[0] if found else None


def _number(given: Json, name: str, value: str, issues: list[Issue]) -> int:
    """The number in an extension of the channel; 0 where there is none."""
    said = _extension(given, name)
    if said is None:
        return 0
    number = said.get(value)
    if isinstance(number, bool) or not isinstance(number, int) or not 0 <= number < 2**31:
        issues.append(Issue("subscription-channel", "Subscription.channel.extension", name))
        return 0
    return number
