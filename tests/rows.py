"""Reads the worked cases of `tests/data/cases` and writes each row's inputs as FHIR."""

import csv
from pathlib import Path

from tests.builders import FEET, Exam

DATA = Path(__file__).parent / "data" / "cases"


class Row(dict[str, str]):
    """One row: its columns by name, and its inputs as a mapping."""

    @property
    def inputs(self) -> dict[str, str]:
        parts = [part.strip() for part in self["inputs"].split(";") if part.strip()]
        return {key.strip(): value.strip() for key, _, value in (part.partition("=") for part in parts)}

    def __str__(self) -> str:
        return self["id"]


def rows(name: str) -> list[Row]:
    with (DATA / f"{name}.tsv").open(encoding="utf-8", newline="") as file:
        return [Row(row) for row in csv.DictReader(file, delimiter="\t", quoting=csv.QUOTE_NONE)]


def _yes(text: str | None) -> bool:
    return text in ("y", "yes", "abscess", "osteomyelitis")


def foot_exam(inputs: dict[str, str]) -> Exam:
    """A row's words as an examination. What a row does not name is recorded absent; `unknown` and `not_done` are not recorded."""
    age = inputs.get("age")
    exam = Exam(birth=f"{2025 - int(age)}-06-01" if age else "1957-04-11")
    for side in FEET:
        _foot(exam, side, inputs)
    _person(exam, inputs)
    return exam


def _of(inputs: dict[str, str], side: str, *keys: str) -> str | None:
    """The value of a key for a side: `left.x`, `x_left`, or `x` for both (or for the person, when a side is named elsewhere)."""
    for key in keys:
        for name in (f"{side}.{key}", f"{key}_{side}"):
            if name in inputs:
                return inputs[name]
        other = "right" if side == "left" else "left"
        if f"{other}.{key}" in inputs:
            return "n"
        if key in inputs:
            return inputs[key]
    return None


def _foot(exam: Exam, side: str, inputs: dict[str, str]) -> None:
    sensation = _of(inputs, side, "neuropathy", "lops", "loss_protective_sensation")
    if inputs.get("monofilament") == "not_done" or sensation == "unknown":
        pass
    elif "monofilament_insensate" in inputs:
        (exam.not_felt if _yes(inputs["monofilament_insensate"]) else exam.felt)(side)
    else:
        (exam.not_felt if _yes(sensation) else exam.felt)(side)
    _flow(exam, side, inputs)
    for key, code in (
        ("deformity", "foot-deformity"),
        ("callus", "callus"),
        ("callus_significant", "significant-callus"),
        ("deformity_significant", "significant-deformity"),
    ):
        exam.see(code, "present" if _yes(_of(inputs, side, key)) else "absent", side)
    one = side == "left"
    exam.see(
        "previous-foot-ulcer",
        "present" if one and (_yes(inputs.get("prev_ulcer")) or _yes(inputs.get("prev_ulcer_or_amp"))) else "absent",
        side,
    )
    level = {"minor": "toe", "major_unilateral": "below-knee", "bilateral_major": "below-knee", "y": "toe"}.get(
        inputs.get("prev_amp", ""), "none"
    )
    exam.see("amputation", level if one or inputs.get("prev_amp") == "bilateral_major" else "none", side)
    exam.see(
        "charcot-history",
        "present" if one and (_yes(inputs.get("charcot_old_deformity")) or _yes(inputs.get("charcot_old"))) else "absent",
        side,
    )
    exam.see("foot-ulcer", "present" if one and _yes(inputs.get("ulcer")) else "absent", side)
    exam.see("foot-infection", "present" if one and _yes(inputs.get("infection")) else "absent", side)
    exam.see("deep-infection", "present" if one and _yes(inputs.get("deep_infection")) else "absent", side)
    exam.see("gangrene", "present" if one and _yes(inputs.get("gangrene")) else "absent", side)
    exam.see("hot-swollen-foot", "present" if one and _yes(inputs.get("hot_swollen")) else "absent", side)
    exam.see("limb-threatening-ischaemia", "present" if one and _yes(inputs.get("clti")) else "absent", side)


def _flow(exam: Exam, side: str, inputs: dict[str, str]) -> None:
    """Pulses and pressures of a foot."""
    arterial, pulses = _of(inputs, side, "pad"), _of(inputs, side, "pulses")
    if "any_pulse_absent" in inputs:
        absent = _yes(inputs["any_pulse_absent"]) and side == "left"
        exam.pulses(side, "absent" if absent else "present", "present")
    elif pulses in ("DP_absent_PT_present",):
        exam.pulses(side, "absent", "present")
    elif pulses in ("both_present", "palpable_all", "bounding", "intact"):
        exam.pulses(side)
    elif pulses == "not_done" or arterial == "unknown":
        pass
    elif _yes(arterial):
        exam.pulses(side, "absent", "absent")
    else:
        exam.pulses(side)
    index = _of(inputs, side, "abi")
    if index and index[0].isdigit():
        exam.see("ankle-brachial-index", float(index), side)


def _person(exam: Exam, inputs: dict[str, str]) -> None:
    replacement = inputs.get("rrt_type", "dialysis") if _yes(inputs.get("rrt")) else "none"
    exam.see("dialysis-or-transplant", replacement)
    exam.see("end-stage-renal-disease", "present" if _yes(inputs.get("esrd")) else "absent")
    exam.see("egfr", float(inputs.get("egfr", 60)))
    exam.see("cannot-self-care", "present" if _yes(inputs.get("cannot_self_care")) else "absent")
    if inputs.get("self_check") == "n":
        exam.see("cannot-check-own-feet", "present")
    if _yes(inputs.get("inpatient")):
        exam.see("inpatient", "present")
    if _yes(inputs.get("sepsis")):
        exam.see("sepsis-suspected", "present")
    if _yes(inputs.get("fever")):
        exam.see("body-temperature", 38.6)
