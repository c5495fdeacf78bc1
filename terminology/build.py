"""Builds the FHIR resources of terminology/fhir from the tables in terminology/source and the vocabularies declared in the code.

Run `python terminology/build.py` after changing either; `--check` only reports whether the files are current (exit 1 when not).
"""

import csv
import json
import sys
from itertools import groupby
from pathlib import Path
from typing import Any

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE.parent / "service"))

sys.path.insert(0, str(HERE))

from forms import YES_OR_NO, Forms  # noqa: E402
from sural import canonical, vocabulary  # noqa: E402

DATE = "2026-11-25"
LOINC_NOTICE = (
    "This material contains content from LOINC (http://loinc.org). LOINC is copyright © Regenstrief Institute, Inc. and the Logical "
    "Observation Identifiers Names and Codes (LOINC) Committee and is available at no cost under the license at "
    "http://loinc.org/license. LOINC® is a registered United States trademark of Regenstrief Institute, Inc."
)
SNOMED_NOTICE = (
    "This material includes identifiers of SNOMED CT (http://snomed.org), copyright of the International Health Terminology Standards "
    "Development Organisation. Displays are given only for concepts of the Global Patient Set. Implementers need the licence that "
    "applies in their country."
)
NOTICES = {canonical.LOINC: LOINC_NOTICE, canonical.SNOMED: SNOMED_NOTICE}


def main() -> int:
    resources = [*code_systems(), *value_sets(), *concept_maps(), FORMS.concept_map(), *FORMS.questionnaires]
    folder = HERE / "fhir"
    stale = []
    for resource in resources:
        path = folder / f"{resource['resourceType']}-{resource['id']}.json"
        text = json.dumps(resource, indent=1, ensure_ascii=False) + "\n"
        if not path.exists() or path.read_text(encoding="utf-8") != text:
            stale.append(path)
            if "--check" not in sys.argv:
                folder.mkdir(exist_ok=True)
                path.write_text(text, encoding="utf-8")
    wanted = {f"{resource['resourceType']}-{resource['id']}.json" for resource in resources}
    stale += [path for path in folder.glob("*.json") if path.name not in wanted]
    for path in stale:
        print(("stale: " if "--check" in sys.argv else "written: ") + path.name)
    return 1 if stale and "--check" in sys.argv else 0


def table(name: str) -> list[dict[str, str]]:
    with (HERE / "source" / f"{name}.tsv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file, delimiter="\t", quoting=csv.QUOTE_NONE))


def header(kind: str, name: str, title: str, description: str, notice: str | None = None) -> dict[str, Any]:
    resource: dict[str, Any] = {
        "resourceType": kind,
        "id": name,
        "url": f"{canonical.BASE}/{kind}/{name}",
        "version": canonical.VERSION,
        "name": "".join(part.capitalize() for part in name.split("-")),
        "title": title,
        "status": "active",
        "experimental": False,
        "date": DATE,
        "publisher": "The Sural project",
        "description": description,
    }
    if notice:
        resource["copyright"] = notice
    return resource


def code_systems() -> list[dict[str, Any]]:
    return [
        finding_system(),
        answer_system(),
        site_system(),
        plain_system(
            "medicine",
            "Medicines known to harm nerves",
            {row["code"]: row["display"] for row in table("medicines")},
            {row["code"]: f"{row['group']}; {row['source']} [{row['mark']}]" for row in table("medicines")},
        ),
        plain_system("question", "Questions and groups of the forms", FORMS.codes),
        plain_system("side", "Sides of the body", {"left": "Left", "right": "Right", "bilateral": "Both sides"}),
        *(plain_system(system.name, system.title, system.codes, system.definitions) for system in vocabulary.SYSTEMS),
    ]


def plain_system(name: str, title: str, codes: dict[str, str], definitions: dict[str, str] | None = None) -> dict[str, Any]:
    definitions = definitions or {}
    return header("CodeSystem", name, title, f"{title}, as Sural uses them.") | {
        "caseSensitive": True,
        "valueSet": canonical.value_set(name),
        "content": "complete",
        "count": len(codes),
        "concept": [
            {"code": code, "display": display} | ({"definition": definitions[code]} if code in definitions else {})
            for code, display in codes.items()
        ],
    }


def finding_system() -> dict[str, Any]:
    """The data dictionary: one concept per finding, its group, scope, kind, answers, unit and bounds as properties."""
    kinds = {
        "group": ("string", "part of the examination"),
        "scope": ("code", "site, side, person, ulcer or component"),
        "kind": ("code", "kind of value"),
        "answer": ("code", "an answer, from the most reassuring to the most adverse"),
        "adverse-from": ("code", "the first adverse answer"),
        "unit": ("string", "UCUM unit the rules work in"),
        "minimum": ("decimal", "smallest plausible number"),
        "maximum": ("decimal", "largest plausible number"),
        "worse": ("code", "whether a higher or a lower number is worse"),
        "expires": ("boolean", "whether the look-back applies"),
        "series": ("boolean", "whether earlier readings are kept for comparison"),
    }
    concepts = []
    for row in table("concepts"):
        properties = [
            {"code": "group", "valueString": row["group"]},
            {"code": "scope", "valueCode": row["scope"]},
            {"code": "kind", "valueCode": row["value"]},
        ]
        reassuring, _, adverse = row["answers"].partition("|")
        answers = reassuring.split() + adverse.split()
        properties += [{"code": "answer", "valueCode": answer} for answer in answers]
        if adverse.split():
            properties.append({"code": "adverse-from", "valueCode": adverse.split()[0]})
        if row["unit"]:
            properties.append({"code": "unit", "valueString": row["unit"]})
        if row["range"]:
            low, high = row["range"].split("..")
            properties.append({"code": "minimum", "valueDecimal": json.loads(low)})
            properties.append({"code": "maximum", "valueDecimal": json.loads(high)})
        if row["worse"]:
            properties.append({"code": "worse", "valueCode": row["worse"]})
        properties.append({"code": "expires", "valueBoolean": row["expires"] == "yes"})
        properties.append({"code": "series", "valueBoolean": row["series"] == "yes"})
        concepts.append(
            {
                "code": row["concept"],
                "display": row["display"],
                "definition": row["reading"] or row["display"],
                "property": properties,
            }
        )
    return header(
        "CodeSystem", "finding", "Findings of a foot and lower-limb neurological examination", "The data dictionary of Sural."
    ) | {
        "caseSensitive": True,
        "valueSet": canonical.value_set("finding"),
        "content": "complete",
        "count": len(concepts),
        "property": [
            {"code": code, "uri": f"{canonical.FINDING}#{code}", "description": text, "type": kind}
            for code, (kind, text) in kinds.items()
        ],
        "concept": concepts,
    }


def answer_system() -> dict[str, Any]:
    system = plain_system("finding-value", "Answers to findings", answer_codes())
    for concept in system["concept"]:
        if concept["code"] in YES_OR_NO:
            concept["designation"] = [{"language": "en", "value": YES_OR_NO[concept["code"]]}]
    return system


def answer_codes() -> dict[str, str]:
    """Every answer with its display."""
    answers = {answer: None for row in table("concepts") for answer in row["answers"].replace("|", " ").split()}
    return {answer: ANSWER_DISPLAYS.get(answer, answer.replace("-", " ").capitalize()) for answer in sorted(answers)}


ANSWER_DISPLAYS = {
    "0": "MRC grade 0",
    "1": "MRC grade 1",
    "2": "MRC grade 2",
    "3": "MRC grade 3",
    "4-": "MRC grade 4-",
    "4": "MRC grade 4",
    "4+": "MRC grade 4+",
    "5-": "MRC grade 5-",
    "5": "MRC grade 5",
    "not-felt": "Not felt",
    "not-done": "Not done",
    "not-clear": "Not clear",
    "type-1": "Type 1 diabetes",
    "type-2": "Type 2 diabetes",
    "mid-shin": "Middle of the shin",
    "burning-numbness-tingling": "Burning, numbness or tingling",
    "fatigue-cramp-aching": "Fatigue, cramp or aching",
    "unspecified": "Amputated, level not stated",
    "reinforced": "Present with reinforcement only",
    "tendon-or-capsule": "Tendon or capsule",
    "bone-or-joint": "Bone or joint",
    "sitting-or-lying": "Sitting or lying",
    "day-and-night": "Day and night",
    "third": "Third nerve",
    "fourth": "Fourth nerve",
    "sixth": "Sixth nerve",
    "seventh": "Seventh nerve",
}


def site_system() -> dict[str, Any]:
    system = plain_system("site", "Sites of the examination", {row["code"]: row["display"] for row in table("sites")})
    system["property"] = [
        {"code": "region", "uri": f"{canonical.SITE}#region", "description": "foot, ankle, leg, arm or artery", "type": "code"},
        {"code": "within", "uri": f"{canonical.SITE}#within", "description": "the next larger site", "type": "code"},
        {"code": "plantar", "uri": f"{canonical.SITE}#plantar", "description": "on the sole", "type": "boolean"},
        {"code": "ulcer-site", "uri": f"{canonical.SITE}#ulcer-site", "description": "the third of the foot", "type": "code"},
    ]
    for concept, row in zip(system["concept"], table("sites"), strict=True):
        concept["property"] = [{"code": "region", "valueCode": row["region"]}]
        if row["within"]:
            concept["property"].append({"code": "within", "valueCode": row["within"]})
        concept["property"].append({"code": "plantar", "valueBoolean": row["plantar"] == "yes"})
        if row["ulcer-site"]:
            concept["property"].append({"code": "ulcer-site", "valueCode": row["ulcer-site"]})
    return system


def value_sets() -> list[dict[str, Any]]:
    """One value set per code system, one per coded finding (its answers), and the findings by scope."""
    sets = []
    for system in code_systems():
        sets.append(
            header("ValueSet", system["id"], system["title"], f"All codes of {system['title'].lower()}.")
            | {"compose": {"include": [{"system": system["url"]}]}}
        )
    by_answers: dict[tuple[str, ...], list[dict[str, str]]] = {}
    for row in table("concepts"):
        answers = tuple(row["answers"].replace("|", " ").split())
        if answers:
            by_answers.setdefault(answers, []).append(row)
    for answers, rows in by_answers.items():
        include = {"system": canonical.FINDING_VALUE, "concept": [{"code": answer} for answer in answers]}
        name = f"answers-{rows[0]['concept']}"
        shared = ", ".join(row["concept"] for row in rows)
        sets.append(
            header("ValueSet", name, f"Answers to {rows[0]['display'].lower()}", f"Answers to: {shared}.")
            | {"compose": {"include": [include]}}
        )
    mapped = {
        system: sorted({row["code"] for row in rows})
        for system, rows in _grouped(row for row in table("mappings") if row["target"][0] in "QF")
    }
    include = [
        {"system": canonical.FINDING},
        {"system": canonical.QUESTION, "concept": [{"code": code} for code in FORMS.targets]},
    ]
    include += [{"system": system, "concept": [{"code": code} for code in codes]} for system, codes in mapped.items()]
    sets.append(
        header(
            "ValueSet",
            "accepted-finding",
            "Codes accepted for a finding",
            "Own codes, the questions of the forms, and every open code that is mapped to one.",
            "\n\n".join(NOTICES.values()),
        )
        | {"compose": {"include": include}}
    )
    return sets


def _grouped(rows: Any) -> list[tuple[str, list[dict[str, str]]]]:
    return [
        (system, list(group))
        for system, group in groupby(sorted(rows, key=lambda row: row["system"]), key=lambda row: row["system"])
    ]


def concept_maps() -> list[dict[str, Any]]:
    """Open codes mapped to ours: findings, answers, sites and sides, services. Each target's comment carries its evidence."""
    rows = table("mappings")
    maps = []
    for name, title, kinds, target in (
        ("findings", "Open codes of findings", "QFC", canonical.FINDING),
        ("answers", "Open codes of answers", "A", canonical.FINDING_VALUE),
        ("absent-reasons", "Open codes that say a test was not done", "X", canonical.ABSENT_REASON),
        ("sites", "Open codes of body sites", "S", canonical.SITE),
        ("sides", "Open codes of sides", "L", canonical.SIDE),
        ("services", "Open codes of services and referrals", "R", canonical.SERVICE),
    ):
        groups = []
        for system, members in _grouped(row for row in rows if row["target"][0] in kinds):
            elements = []
            for code, targets in groupby(sorted(members, key=lambda row: row["code"]), key=lambda row: row["code"]):
                listed = list(targets)
                element: dict[str, Any] = {"code": code}
                if listed[0]["display"]:
                    element["display"] = listed[0]["display"]
                element["target"] = [entry for row in listed for entry in target_entries(row)]
                elements.append(element)
            groups.append({"source": system, "target": target, "element": elements})
        notice = "\n\n".join(NOTICES[group["source"]] for group in groups if group["source"] in NOTICES)
        maps.append(header("ConceptMap", name, title, f"{title}, mapped to Sural's own.", notice) | {"group": groups})
    return maps


def target_entries(row: dict[str, str]) -> list[dict[str, Any]]:
    """The targets of one mapping. The table writes `KIND code[=value] [@side] [#site] [~detail] [?condition]`."""
    kind, *words = row["target"].split()
    comment = f"{row['status']}; sources: {row['sources']}; {row['evidence']}" + (f"; {row['note']}" if row["note"] else "")
    if kind in "AX":
        return [{"code": word, "equivalence": "equivalent", "comment": comment} for word in words]
    code, _, value = words[0].partition("=")
    code, _, part = code.partition(".")
    marks = {word[0]: word[1:] for word in words[1:]}
    equivalence = "wider" if kind == "R" and "~" in marks else "equivalent"
    entry: dict[str, Any] = {"code": code, "equivalence": equivalence, "comment": comment}
    product = []
    for prop, system, text in (
        ("value", canonical.FINDING_VALUE, value),
        ("part", canonical.FINDING, part),
        ("side", canonical.SIDE, marks.get("@", "")),
        ("site", canonical.SITE, marks.get("#", "")),
        ("detail", canonical.FINDING_VALUE, marks.get("~", "")),
    ):
        if text:
            product.append({"property": f"{canonical.BASE}/mapping/{prop}", "system": system, "value": text})
    if "?" in marks:
        entry["dependsOn"] = [{"property": f"{canonical.BASE}/mapping/condition", "value": marks["?"]}]
    if product:
        entry["product"] = product
    return [entry]


FORMS = Forms(table, header, answer_codes())

if __name__ == "__main__":
    sys.exit(main())
