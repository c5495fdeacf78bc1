"""The topics that can be subscribed to: one for each type of resource that answers about a person are stored as.

Source: HL7 Subscriptions R5 Backport. R4 has no resource for topics: they are known by their canonical address, named in the
CapabilityStatement, and described here as a Basic with the cross-version extensions of the R5 SubscriptionTopic.
"""

import re
from typing import Any

from sural import canonical
from sural.ledger.parameters import IDENTIFIED, SEARCHED

Json = dict[str, Any]
DATE = "2026-11-27"
BACKPORT = "http://hl7.org/fhir/uv/subscriptions-backport"
_R5 = "http://hl7.org/fhir/5.0/StructureDefinition/extension-SubscriptionTopic"
_SYSTEM = "http://hl7.org/fhir/fhir-types"


def _name(kind: str) -> str:
    return re.sub(r"(?<=[a-z])(?=[A-Z])", "-", kind).lower()


TOPICS: dict[str, str] = {f"{canonical.BASE}/SubscriptionTopic/{_name(kind)}": kind for kind in SEARCHED if kind != "Device"}
"""The type that each topic is about, by the canonical of the topic."""


def topic_of(kind: str) -> str:
    """The canonical of the topic about a type."""
    return next(address for address, own in TOPICS.items() if own == kind)


def filters(kind: str) -> tuple[str, ...]:
    """The search parameters that notifications about a type can be narrowed by."""
    own = (name for one in SEARCHED[kind] for name in one.names)
    return ("_id", "_lastUpdated", *(("identifier",) if kind in IDENTIFIED else ()), *own)


def described(kind: str) -> Json:
    """The topic about a type, as a Basic (FHIR R4)."""
    address, name = topic_of(kind), _name(kind)
    said = f"A {kind} was stored, or changed. Answers are stored on request and amended in place; nothing is deleted."
    trigger = [
        {"url": "description", "valueMarkdown": said},
        {"url": "resource", "valueUri": f"http://hl7.org/fhir/StructureDefinition/{kind}"},
        *({"url": "supportedInteraction", "valueCode": code} for code in ("create", "update")),
    ]
    return {
        "resourceType": "Basic",
        "id": f"topic-{name}",
        "extension": [
            {"url": f"{_R5}.url", "valueUri": address},
            {"url": f"{_R5}.version", "valueString": canonical.VERSION},
            {"url": f"{_R5}.name", "valueString": f"Stored{kind}"},
            {"url": f"{_R5}.title", "valueString": f"{kind} stored or changed"},
            {"url": f"{_R5}.date", "valueDateTime": DATE},
            {"url": f"{_R5}.description", "valueMarkdown": said},
            {"url": f"{_R5}.resourceTrigger", "extension": trigger},
            *(_filter(kind, one) for one in filters(kind)),
            {"url": f"{_R5}.notificationShape", "extension": [{"url": "resource", "valueUri": f"http://hl7.org/fhir/StructureDefinition/{kind}"}]},
        ],
        "modifierExtension": [{"url": f"{_R5}.status", "valueCode": "active"}],
        "code": {"coding": [{"system": _SYSTEM, "code": "SubscriptionTopic"}]},
    }


def _filter(kind: str, name: str) -> Json:
    own = [
        {"url": "resource", "valueUri": f"http://hl7.org/fhir/StructureDefinition/{kind}"},
        {"url": "filterParameter", "valueString": name},
    ]
    return {"url": f"{_R5}.canFilterBy", "extension": own}
