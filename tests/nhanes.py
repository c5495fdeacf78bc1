"""Real examinations: NHANES 1999-2002, lower-extremity component, written as FHIR.

Source: National Center for Health Statistics, public-use files, for statistical use only. The table lies beside the project and is not
part of it; tests that need it skip where it is absent.
"""

import csv
import lzma
from pathlib import Path
from typing import Any

from tests.builders import Exam, answer, concept

TABLE = Path(__file__).parents[2] / "shared" / "nhanes" / "foot_exam_1999_2002.csv.xz"
ABSENT_REASON = f"{TABLE.name} is not here (public-use survey data, not part of the project)"
SITES = {"HAL": "hallux", "MH1": "metatarsal-head-1", "MH5": "metatarsal-head-5"}
SIDES = {"L": "left", "R": "right"}
TRIES = {"1": "felt", "2": "not-felt", "3": "undetermined"}
AMPUTATIONS = {"1": "none", "2": "entire-foot", "3": "forefoot", "4": "toe", "5": "toe", "6": "toe"}
DIABETES = {"1": "other", "2": "absent"}
EXAMINED = "2001-06-01"
FINDING = "https://sural.example/fhir/CodeSystem/finding"
NOT_OBTAINED = concept("http://terminology.hl7.org/CodeSystem/data-absent-reason", "not-performed")


def people() -> list[dict[str, str]]:
    with lzma.open(TABLE, "rt", encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def as_fhir(person: dict[str, str]) -> dict[str, Any]:
    """One person: tries as components, the index and pressures as Quantity, amputation, history and diabetes."""
    exam = Exam(patient=f"n{person['SEQN']}", birth=f"{2001 - int(person['RIDAGEYR'])}-01", diabetes=None)
    day = {"effectiveDateTime": EXAMINED}
    if person["DIQ010"] in DIABETES:
        exam.see("diabetes", DIABETES[person["DIQ010"]], **day)
    for letter, side in SIDES.items():
        for name, site in SITES.items():
            tries = [person[f"LEX{letter}{name}{number}"] for number in (1, 2, 3)]
            if any(tries):
                components = [_try(number, code) for number, code in enumerate(tries, 1) if code]
                exam.see("monofilament-10g", None, side, site, component=components, **day)
        level = AMPUTATIONS.get(person[f"LE{'AL' if letter == 'L' else 'AR'}AMP"])
        if level:
            exam.see("amputation", level, side, **day)
        index = person[f"LEX{letter}ABPI"]
        if index:
            exam.see("ankle-brachial-index", float(index), side, **day)
        pressure = person[f"LEX{letter}PTSM"]
        if pressure:
            exam.see("ankle-pressure", float(pressure), side, **day)
    if person["LEXBRPM"]:
        exam.see("arm-systolic-pressure", float(person["LEXBRPM"]), "both", **day)
    if person["DIQ090"] in ("1", "2"):
        exam.see("previous-foot-ulcer", "present" if person["DIQ090"] == "1" else "absent", "bilateral", **day)
    return exam.bundle()


def _try(number: int, code: str) -> dict[str, Any]:
    component: dict[str, Any] = {"code": concept(FINDING, f"monofilament-try-{number}")}
    if code in TRIES:
        component["valueCodeableConcept"] = answer(TRIES[code])
    else:
        component["dataAbsentReason"] = NOT_OBTAINED
    return component
