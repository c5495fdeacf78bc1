"""Pathways: who is asked, how urgently and by when. Data files, replaceable by a site."""

import tomllib
from functools import cache
from importlib import resources
from pathlib import Path

import msgspec
from msgspec import Struct

SERVICES = {
    "acute-services": "Acute services",
    "multidisciplinary-foot-service": "Multidisciplinary foot service",
    "foot-protection-service": "Foot protection service",
    "paediatric-team": "Paediatric or transition team",
    "vascular-service": "Vascular service",
    "neurology": "Neurology",
    "nerve-conduction-study": "Nerve conduction study",
    "laboratory": "Laboratory",
    "annual-screening": "Annual screening",
}
URGENCIES = ("stat", "urgent", "routine")


class Step(Struct, frozen=True, forbid_unknown_fields=True):
    """One referral rule: the services, how urgent, the time allowed in working days, hours or as a window, and its source."""

    services: tuple[str, ...]
    urgency: str
    source: str
    mark: str
    working_days: int | None = None
    triage_working_days: int | None = None
    hours: int | None = None
    window: tuple[str, str] | None = None


class NeuropathyStep(Step, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """One referral rule for a neuropathy: the patterns and red flags that call for it; none for the ones that tests call for."""

    when: tuple[str, ...] = ()


class Children(Struct, frozen=True, forbid_unknown_fields=True):
    """Where people of an age range go instead."""

    from_age: int
    to_age: int
    service: str
    source: str
    mark: str


class Pathway(Struct, frozen=True, forbid_unknown_fields=True):
    """A pathway: the scheme it follows and what it does at each step.

    `neuropathy` may hold the steps urgent, progressive, atypical, conduction and laboratory; a pathway without them proposes nothing there.
    """

    id: str
    title: str
    version: str
    scheme: str
    calendar: str
    threat: Step
    active: Step
    inpatient: Step
    category: dict[str, Step]
    children: Children
    neuropathy: dict[str, NeuropathyStep] = {}


@cache
def pathway(name: str) -> Pathway:
    """A pathway by name, or from a TOML file by its path. Raises KeyError when there is none, ValueError when it is not well-formed."""
    if name.endswith(".toml"):
        text = Path(name).read_text(encoding="utf-8")
    else:
        file = resources.files(__package__) / "pathways" / f"{name}.toml"
        if not name.replace("-", "").isalnum() or not file.is_file():
            raise KeyError(name)
        text = file.read_text(encoding="utf-8")
    try:
        loaded = msgspec.convert(tomllib.loads(text), Pathway)
    except (tomllib.TOMLDecodeError, msgspec.ValidationError) as fault:
        raise ValueError(f"pathway {name}: {fault}") from fault
    steps = (loaded.threat, loaded.active, loaded.inpatient, *loaded.category.values(), *loaded.neuropathy.values())
    unknown = {service for step in steps for service in step.services} | {loaded.children.service}
    unknown -= SERVICES.keys()
    if unknown or any(step.urgency not in URGENCIES for step in steps):
        raise ValueError(f"pathway {name}: unknown service or urgency {sorted(unknown)}")
    return loaded


def names() -> list[str]:
    """The pathways that come with Sural."""
    folder = resources.files(__package__) / "pathways"
    return sorted(file.name.removesuffix(".toml") for file in folder.iterdir() if file.name.endswith(".toml"))
