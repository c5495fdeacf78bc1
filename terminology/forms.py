"""Builds the forms from the tables: two Questionnaires, the codes of their questions, and what each question asks for.

`source/forms.tsv` has one row per question in the order in which one examines. Columns: `section`; `form`, both or full (the short form has
only those of both); `concept` of the data dictionary; `part`, a component of it; `minutes` of standing; `sites`; `when`, the answer
that opens the question (`concept=answer|answer`, of the same side); `lost`, from which amputation on the question is closed; `text`.
"""

import json
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import groupby
from typing import Any

from sural import canonical

Json = dict[str, Any]
Table = Callable[[str], list[dict[str, str]]]
SIDES = ("right", "left")
FORMS = {
    "foot-screening": (
        "Foot screening",
        "A short screening of both feet: history, inspection, circulation and protective sensation, enough for a foot-risk category.",
    ),
    "neurological-examination": (
        "Lower-limb neurological examination",
        "The full examination: history, symptoms, feet, circulation, sensation, power, reflexes, autonomic function, and tests where known.",
    ),
}
SHORT = "foot-screening"
YES_OR_NO = {"absent": "No", "present": "Yes"}
"""How a person answers a question; the code system has these words as designations."""
NOT_ASKED = {
    "monofilament-sites": "another form of the monofilament, which is asked site by site",
    "monofilament-foot": "another form of the monofilament, which is asked site by site",
    "sensory-level": "asked for each modality",
    "hand-sensory-level": "asked for each modality",
    "infection-sign-count": "counted from the signs that are asked one by one",
    **dict.fromkeys(
        ("sural-amplitude", "sural-velocity", "fibular-motor-amplitude", "fibular-motor-velocity", "fibular-distal-latency",
         "tibial-motor-amplitude", "tibial-motor-velocity", "f-wave-latency", "conduction-block", "temporal-dispersion"),
        "means nothing without the laboratory's own limits: send the Observation with its referenceRange",
    ),
}  # fmt: skip
"""Findings of the data dictionary that no form asks for, and why."""
LOST = {
    "foot": ("entire-foot", "below-knee", "above-knee"),
    "shin": ("below-knee", "above-knee"),
    "knee": ("above-knee",),
}
_LOST_AT = {"foot": "foot", "ankle": "foot", "leg": "knee"}
_ASKED = ("context", "history", "symptom", "questionnaire")
_REASONS = {
    "asked": (("asked-unknown", "Asked But Unknown"), ("asked-declined", "Asked But Declined"), ("not-asked", "Not Asked")),
    "tested": (("not-performed", "Not Performed"), ("asked-declined", "Asked But Declined"), ("unknown", "Unknown")),
}
_AS_ASKED = frozenset(
    ("claudication", "rest-pain", "peripheral-arterial-disease", "postural-dizziness", "early-satiety-vomiting", "bowel-disturbance",
     "bladder-disturbance", "erectile-dysfunction", "sweating-change", "charcot-history")
)  # fmt: skip
_UNITS = {
    "mm[Hg]": "mmHg", "Cel": "°C", "cm2": "cm²", "/min": "per minute", "10*9/L": "10⁹/L", "mL/min/{1.73_m2}": "mL/min/1.73 m²",
    "ug/L": "µg/L", "umol/L": "µmol/L", "m[IU]/L": "mIU/L", "a": "years",
}  # fmt: skip
_NUMBERS = ("Quantity", "integer")
_EXTENSIONS = "http://hl7.org/fhir/StructureDefinition"
_EXTRACT = "http://hl7.org/fhir/uv/sdc/StructureDefinition/sdc-questionnaire-observationExtract"


@dataclass(frozen=True)
class Row:
    """One question of the table for one site, with the concept that it asks for; it stands for both sides where the concept has sides."""

    section: str
    short: bool
    concept: dict[str, str]
    part: str
    minutes: str
    site: str
    when: str
    lost: str
    text: str

    @property
    def sided(self) -> bool:
        return self.concept["scope"] in ("site", "side", "ulcer")

    @property
    def name(self) -> str:
        """The start of the link ids of this row."""
        if self.part == "deformity-type":
            return self.part
        after = f"after-{self.minutes}-min" if self.minutes else ""
        return "-".join(filter(None, (self.concept["concept"], after, self.part)))

    def link(self, side: str = "") -> str:
        return "-".join(filter(None, (self.name, side, self.site)))


class Forms:
    """The forms, built from the tables. `table` reads a table by name, `header` starts a resource, `displays` are those of the answers."""

    def __init__(self, table: Table, header: Callable[..., Json], displays: dict[str, str]) -> None:
        self.header = header
        self.displays = displays
        self.concepts = {row["concept"]: row for row in table("concepts")}
        self.sites = {row["code"]: row for row in table("sites")}
        self.medicines = {row["code"]: row["display"] for row in table("medicines")}
        self.rows = list(self._rows(table("forms")))
        self.codes: dict[str, str] = {}
        """Every code of a question or group, with its display."""
        self.targets: dict[str, Json] = {}
        """What each question asks for, as a target of the ConceptMap."""
        self.questionnaires = [self._questionnaire(name) for name in FORMS]

    def _rows(self, table: list[dict[str, str]]) -> Iterator[Row]:
        for row in table:
            concept = self.concepts[row["concept"]]
            for site in row["sites"].split() or [""]:
                text = f"{row['text']}: {self.sites[site]['display'].lower()}" if site else row["text"]
                lost = self._lost(site) if row["lost"] == "site" else row["lost"]
                yield Row(
                    row["section"], row["form"] == "both", concept, row["part"], row["minutes"], site, row["when"], lost, text
                )

    def _lost(self, site: str) -> str:
        return "shin" if site == "mid-shin" else _LOST_AT.get(self.sites[site]["region"], "")

    def _questionnaire(self, name: str) -> Json:
        title, description = FORMS[name]
        rows = [row for row in self.rows if row.short or name != SHORT]
        items = []
        for number, (section, members) in enumerate(groupby(rows, key=lambda row: row.section), 1):
            link = "section-" + "-".join(section.lower().replace(",", "").split())
            content = [item for row in members for item in self._row(row)]
            inner = [row for row in rows if row.section == section]
            opened = self._opened(inner) if all(row.when for row in inner) else {}
            items.append(self._item(link, section, section, "group", prefix=f"{number}", **opened, item=content))
        return self.header("Questionnaire", name, title, description) | {
            "subjectType": ["Patient"],
            "code": [{"system": canonical.QUESTION, "code": self._code(name, title), "display": title}],
            "item": items,
        }

    def _row(self, row: Row) -> list[Json]:
        """The items of one row: a question for the person, or a group with the two sides beside each other."""
        if not row.sided:
            return list(self._questions(row, "", row.text))
        pair = [question for side in SIDES for question in self._questions(row, side, side.capitalize())]
        control = {"coding": [{"system": "http://hl7.org/fhir/questionnaire-item-control", "code": "gtable"}]}
        beside = {"url": f"{_EXTENSIONS}/questionnaire-itemControl", "valueCodeableConcept": control}
        text = self._with_unit(row, row.text)
        opened = self._opened([row]) if row.when else {}
        return [self._item(row.link(), text, row.text, "group", extension=[beside], **opened, item=pair)]

    def _opened(self, rows: list[Row]) -> Json:
        """A group is open when one of the questions in it is: a heading over nothing only puzzles."""
        enabled = [self._enable(row, side) for row in rows for side in (SIDES if row.sided else ("",))]
        unique = {json.dumps(one): one for enable in enabled for one in enable["enableWhen"]}
        return {"enableWhen": list(unique.values())} | ({"enableBehavior": "any"} if len(unique) > 1 else {})

    def _questions(self, row: Row, side: str, text: str) -> Iterator[Json]:
        """One question, and beside one for a number or a date the question why there is none."""
        link = row.link(side)
        display = f"{row.text}, {side}" if side else row.text
        kind, more = self._answers(row)
        when = self._enable(row, side)
        label = text if side else self._with_unit(row, text)
        yield self._item(link, label, display, kind, **self._extensions(row), **when, **more)
        self.targets[link] = self._target(row, side)
        if kind == "choice":
            return
        reason = "why not measured" if row.concept["value"] in (*_NUMBERS, "component") else "why not known"
        shut = {"question": link, "operator": "exists", "answerBoolean": False}
        also = when.get("enableWhen", []) if "enableBehavior" not in when or when["enableBehavior"] == "all" else []
        conditions = [shut, *also]
        yield self._item(
            f"{link}-not-measured",
            f"{text}: {reason}" if not side else f"{text}, {reason}",
            f"{display}: {reason}",
            "choice",
            enableWhen=conditions,
            **({"enableBehavior": "all"} if len(conditions) > 1 else {}),
            answerOption=self._reasons(row),
        )

    def _item(self, link: str, text: str, display: str, kind: str, prefix: str = "", **more: Any) -> Json:
        item: Json = {
            "linkId": link,
            "code": [{"system": canonical.QUESTION, "code": self._code(link, display), "display": display}],
        }
        extension = more.pop("extension", [])
        return (
            ({"extension": extension} if extension else {})
            | item
            | ({"prefix": prefix} if prefix else {})
            | {"text": text, "type": kind}
            | more
        )

    def _code(self, code: str, display: str) -> str:
        known = self.codes.setdefault(code, display)
        assert known == display, f"{code} stands for {known!r} and {display!r}"
        return code

    def _answers(self, row: Row) -> tuple[str, Json]:
        """The type of a question, and the answers to choose from."""
        if row.part == "medicine":
            options = [self._option(canonical.MEDICINE, code, text) for code, text in self.medicines.items()]
            return "choice", {"repeats": True, "answerOption": options + self._reasons(row)}
        answers = self._answered(row)["answers"].replace("|", " ").split()
        if answers:
            words = self.displays | (YES_OR_NO if self._asked(row) else {})
            options = [self._option(canonical.FINDING_VALUE, code, words[code]) for code in answers]
            repeats = {"repeats": True} if row.part else {}
            return "choice", repeats | {"answerOption": options + self._reasons(row)}
        if row.concept["concept"] == "diabetes-onset":
            return "decimal", {}
        return {"dateTime": "date", "integer": "integer"}.get(self._answered(row)["value"], "decimal"), {}

    def _answered(self, row: Row) -> dict[str, str]:
        return self.concepts[row.part] if row.part else row.concept

    def _reasons(self, row: Row) -> list[Json]:
        """Why a question has no answer. A question for more of what another one asks needs none: that one has it."""
        if row.part in ("medicine", "deformity-type"):
            return []
        reasons = _REASONS["asked" if self._asked(row) else "tested"]
        return [self._option(canonical.ABSENT_REASON, code, text) for code, text in reasons]

    def _asked(self, row: Row) -> bool:
        """Whether one asks the person rather than examines."""
        return row.concept["group"] in _ASKED or row.concept["concept"] in _AS_ASKED

    def _option(self, system: str, code: str, display: str) -> Json:
        return {"valueCoding": {"system": system, "code": code, "display": display}}

    def _with_unit(self, row: Row, text: str) -> str:
        unit = self._unit(row)
        return f"{text} ({unit[1]})" if unit and "years" not in text.lower() else text

    def _unit(self, row: Row) -> tuple[str, str] | None:
        """The unit of a question, as UCUM and as people write it; None for answers to choose from and for pure numbers."""
        asked = self._answered(row)
        unit = asked["unit"]
        if asked["answers"] or not unit or unit in ("1", "{score}", "{ratio}"):
            return None
        return unit, _UNITS.get(unit, unit)

    def _extensions(self, row: Row) -> Json:
        """What the question says to those who extract from it: that it is an Observation, its unit and its bounds."""
        found: list[Json] = []
        if row.part != "medicine":
            found.append({"url": _EXTRACT, "valueBoolean": True})
        unit = self._unit(row)
        if unit:
            coding = {"system": canonical.UCUM, "code": unit[0], "display": unit[1]}
            found.append({"url": f"{_EXTENSIONS}/questionnaire-unit", "valueCoding": coding})
        asked = self._answered(row)
        if asked["range"] and not asked["answers"]:
            kind = "valueInteger" if asked["value"] == "integer" else "valueDecimal"
            for name, bound in zip(("minValue", "maxValue"), asked["range"].split(".."), strict=True):
                found.append({"url": f"{_EXTENSIONS}/{name}", kind: json.loads(bound)})
        return {"extension": found} if found else {}

    def _enable(self, row: Row, side: str) -> Json:
        """When the question is open: by the answer to another, or while the limb is there."""
        if row.when:
            concept, _, answers = row.when.partition("=")
            sided = side if self.concepts[concept]["scope"] != "person" else ""
            question = "-".join(filter(None, (concept, sided)))
            found = [self._condition(question, "=", code) for code in answers.split("|")]
            return {"enableWhen": found} | ({"enableBehavior": "any"} if len(found) > 1 else {})
        if row.lost:
            found = [self._condition(f"amputation-{side}", "!=", code) for code in LOST[row.lost]]
            return {"enableWhen": found} | ({"enableBehavior": "all"} if len(found) > 1 else {})
        return {}

    def _condition(self, question: str, operator: str, code: str) -> Json:
        coding = {"system": canonical.FINDING_VALUE, "code": code, "display": self.displays[code]}
        return {"question": question, "operator": operator, "answerCoding": coding}

    def _target(self, row: Row, side: str) -> Json:
        products = (
            ("part", canonical.FINDING, row.part),
            ("side", canonical.SIDE, side),
            ("site", canonical.SITE, row.site),
            ("minutes-standing", canonical.FINDING, row.minutes),
        )
        product = [
            {"property": f"{canonical.BASE}/mapping/{name}", "system": system, "value": value}
            for name, system, value in products
            if value
        ]
        target: Json = {"code": row.concept["concept"], "equivalence": "equivalent"}
        return target | ({"product": product} if product else {})

    def concept_map(self) -> Json:
        """Each question mapped to what it asks for: the finding, its side and site, and the component where it is only one."""
        elements = [{"code": link, "display": self.codes[link], "target": [target]} for link, target in self.targets.items()]
        group = {"source": canonical.QUESTION, "target": canonical.FINDING, "element": elements}
        title = "Questions of the forms"
        return self.header("ConceptMap", "questions", title, f"{title}: the finding, side and site that each asks for.") | {
            "group": [group]
        }
