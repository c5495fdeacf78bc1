"""Every type of value against every kind of finding: read exactly, or refused with the key that says why; never rounded or guessed.

Conversion factors are the published ones and are written out here as fractions: 1 mmHg = 133.322387415 Pa (conventional millimetre of
mercury), degree Fahrenheit = 5/9 K from 459.67, HbA1c NGSP % = 0.0915 x IFCC + 2.15 (NGSP), vitamin B12 1 pg/mL = 0.738 pmol/L (molar
mass 1355.4 g/mol), creatinine 1 mg/dL = 88.4 umol/L, glucose 1 mmol/L = 18.0 mg/dL. All data are invented.
"""

from datetime import date
from decimal import Decimal
from typing import Any

import orjson
import pytest

from sural import canonical
from sural.doors.request import lexicon
from sural.exam import units
from sural.exam.moment import Moment
from sural.exam.units import COMMON, convert, ucum_conversion
from sural.intake import wire
from sural.intake.values import read_value
from sural.terminology.dictionary import answer_displays, concepts
from sural.terminology.lexicon import Absent, Unread
from tests.asking import summary_of
from tests.builders import AS_OF, FEET, Exam, Json, answer, quantity
from tests.pieces import (
    about_p1,
    bundle,
    component,
    condition,
    examination,
    finding,
    issues,
    keys,
    loinc,
    observation,
    patient,
    snomed,
)

DAY = date.fromisoformat(AS_OF)
UCUM = canonical.UCUM


def outcome(code: str, value: Json) -> Any:
    """What the reader makes of a value: the value itself, `refused KEY`, `not examined REASON`, or a value with a remark."""
    holder = wire.resource_decoder.decode(orjson.dumps({"resourceType": "Observation", **value}))
    found = read_value(holder, concepts()[code], lexicon(), DAY)
    if isinstance(found, Unread):
        return f"refused {found.key}"
    if isinstance(found, Absent):
        return f"not examined {found.reason}"
    if isinstance(found, Moment):
        return found.text
    return getattr(found, "value", found)


# ---------------------------------------------------------------------------------------------------------------------------------
# types against kinds

VALUES: dict[str, Json] = {
    "our present": {"valueCodeableConcept": answer("present")},
    "our felt": {"valueCodeableConcept": answer("felt")},
    "our normal": {"valueCodeableConcept": answer("normal")},
    "true": {"valueBoolean": True},
    "false": {"valueBoolean": False},
    "integer 2": {"valueInteger": 2},
    "integer -1": {"valueInteger": -1},
    "integer 99": {"valueInteger": 99},
    "2, no unit": {"valueQuantity": {"value": 2}},
    "2 {1}": {"valueQuantity": {"value": 2, "system": UCUM, "code": "1"}},
    "2.5 {1}": {"valueQuantity": {"value": 2.5, "system": UCUM, "code": "1"}},
    "2 mmHg": {"valueQuantity": {"value": 2, "system": UCUM, "code": "mm[Hg]"}},
    "2 in words only": {"valueQuantity": {"value": 2, "unit": "mm[Hg]"}},
    "string Present": {"valueString": "Present"},
    "dateTime": {"valueDateTime": "2026-01-01"},
    "bad dateTime": {"valueDateTime": "last spring"},
    "Period": {"valuePeriod": {"start": "2026-01-01"}},
    "Ratio": {"valueRatio": {"numerator": {"value": 1}, "denominator": {"value": 2}}},
    "Range": {"valueRange": {"low": {"value": 1}, "high": {"value": 2}}},
    "SampledData": {"valueSampledData": {"origin": {"value": 0}, "period": 10, "dimensions": 1}},
    "time": {"valueTime": "10:00:00"},
    "no value": {},
}  # fmt: skip
_TYPE = "refused value-type"
_MAP = "refused value-not-mapped"
_NO_UNIT = "refused unit-missing"
_OTHER = "refused unit-incommensurable"
_RANGE = "refused value-out-of-range"
_NEVER = dict.fromkeys(("Period", "Ratio", "Range", "SampledData", "time"), _TYPE) | {"no value": None}
_NO_DATE = {"dateTime": _TYPE, "bad dateTime": _TYPE}
_NO_NUMBER = dict.fromkeys(("integer 2", "integer -1", "integer 99", "2, no unit", "2 {1}", "2.5 {1}", "2 mmHg", "2 in words only"), _TYPE)  # fmt: skip
_NO_CODE = dict.fromkeys(("our present", "our felt", "our normal", "true", "false"), _TYPE) | {"string Present": _MAP}
_YES_NO = {"our present": "present", "our felt": _MAP, "our normal": _MAP, "true": "present", "false": "absent", "string Present": "present"}  # fmt: skip
KINDS: dict[str, tuple[str, dict[str, Any]]] = {
    "present or absent": ("callus", _NEVER | _NO_DATE | _NO_NUMBER | _YES_NO),
    "felt or not": ("monofilament-10g", _NEVER | _NO_DATE | _NO_NUMBER | {
        "our present": _MAP, "our felt": "felt", "our normal": _MAP, "true": "felt", "false": "not-felt", "string Present": _MAP,
    }),
    "positive or negative": ("romberg", _NEVER | _NO_DATE | _NO_NUMBER | _NO_CODE | {"our present": _MAP, "our felt": _MAP, "our normal": _MAP}),
    "grades in words": ("gait", _NEVER | _NO_DATE | _NO_NUMBER | _NO_CODE | {"our present": _MAP, "our felt": _MAP, "our normal": "normal"}),
    "grades in numbers": ("power-toe-flexion", _NEVER | _NO_DATE | _NO_NUMBER | _NO_CODE | {
        "our present": _MAP, "our felt": _MAP, "our normal": _MAP, "integer 2": "2", "2, no unit": "2", "2 {1}": "2",
    }),
    "count": ("toe-touch", _NEVER | _NO_DATE | _NO_CODE | {
        "integer 2": Decimal(2), "integer -1": _RANGE, "integer 99": _RANGE, "2, no unit": Decimal(2), "2 {1}": Decimal(2),
        "2.5 {1}": _RANGE, "2 mmHg": _OTHER, "2 in words only": _NO_UNIT,
    }),
    "measurement with a unit": ("toe-pressure", _NEVER | _NO_DATE | _NO_CODE | {
        "integer 2": _NO_UNIT, "integer -1": _NO_UNIT, "integer 99": _NO_UNIT, "2, no unit": _NO_UNIT, "2 {1}": _OTHER, "2.5 {1}": _OTHER,
        "2 mmHg": Decimal(2), "2 in words only": _NO_UNIT,
    }),
    "measurement without a unit": ("ankle-brachial-index", _NEVER | _NO_DATE | _NO_CODE | {
        "integer 2": Decimal(2), "integer -1": _RANGE, "integer 99": _RANGE, "2, no unit": Decimal(2), "2 {1}": Decimal(2),
        "2.5 {1}": Decimal("2.5"), "2 mmHg": _OTHER, "2 in words only": _NO_UNIT,
    }),
    "date": ("symptom-onset", _NEVER | _NO_CODE | {
        "integer 2": _TYPE, "integer -1": _TYPE, "integer 99": _TYPE, "2, no unit": _NO_UNIT, "2 {1}": _OTHER, "2.5 {1}": _OTHER,
        "2 mmHg": _OTHER, "2 in words only": _NO_UNIT, "dateTime": "2026-01-01", "bad dateTime": "refused date-invalid",
    }),
    "components": ("blood-pressure-lying", _NEVER | _NO_DATE | _NO_NUMBER | _NO_CODE),
    "text": ("medicine", _NEVER | _NO_DATE | _NO_NUMBER | _NO_CODE | {"string Present": "Present"}),
}  # fmt: skip
MATRIX = [pytest.param(kind, value, id=f"{kind}: {value}") for kind in KINDS for value in VALUES]


@pytest.mark.parametrize(("kind", "value"), MATRIX)
def test_each_type_of_value_for_each_kind_of_finding(kind: str, value: str) -> None:
    """The value in the rules' own terms, or the key it is refused with; a number is never taken for an answer or the other way round."""
    code, expected = KINDS[kind]

    assert expected[value] == outcome(code, VALUES[value])


CODED = [(code, one) for code, concept in concepts().items() for one in concept.answers]


@pytest.mark.parametrize("code", [code for code, concept in concepts().items() if concept.answers])
def test_every_answer_of_ours_is_read_as_itself(code: str) -> None:
    """Own codes always work, so a sender is never stuck."""
    expected = list(concepts()[code].answers)

    assert expected == [outcome(code, {"valueCodeableConcept": answer(one)}) for one in expected]


@pytest.mark.parametrize("code", [code for code, concept in concepts().items() if concept.answers])
def test_every_display_of_an_answer_is_read_with_a_warning(code: str) -> None:
    """A string only when it equals an answer's display exactly; no two answers of a finding share a display."""
    displays = [answer_displays()[one] for one in concepts()[code].answers]

    assert list(concepts()[code].answers) == [outcome(code, {"valueString": text}) for text in displays]
    assert len(displays) == len(set(displays))


@pytest.mark.parametrize("text", ["present", "PRESENT", " Present", "Present ", "Present.", "Yes", "", "Present\n", "Рresent"])
def test_a_string_that_only_resembles_a_display_is_refused(text: str) -> None:
    """Neither case nor white space nor a look-alike letter (the last one is Cyrillic) is forgiven."""
    assert "refused value-not-mapped" == outcome("callus", {"valueString": text})


def test_a_string_that_is_read_leaves_a_warning() -> None:
    """The finding is used, with `value-by-display` at the resource."""
    content = about_p1(observation("callus", side="left", valueString="Present"))

    assert [("value-by-display", "Bundle.entry[2].resource")] == issues(content)
    assert "yes" == finding(content, "callus")["left"]


@pytest.mark.parametrize("code", [code for code, concept in concepts().items() if concept.answers])
def test_an_answer_of_another_finding_is_refused(code: str) -> None:
    """One of our answers that this finding does not take is not understood as the nearest one."""
    foreign = next(one for one in answer_displays() if one not in concepts()[code].answers)

    assert "refused value-not-mapped" == outcome(code, {"valueCodeableConcept": answer(foreign)})


# ---------------------------------------------------------------------------------------------------------------------------------
# answers in open codes

OPEN: tuple[tuple[str, str, str, str], ...] = (
    ("52101004", "SNOMED present", "callus", "present"),
    ("2667000", "SNOMED absent", "callus", "absent"),
    ("410515003", "SNOMED known present", "callus", "present"),
    ("410516002", "SNOMED known absent", "callus", "absent"),
    ("373066001", "SNOMED yes", "foot-ulcer", "present"),
    ("373067005", "SNOMED no", "foot-ulcer", "absent"),
    ("10828004", "SNOMED positive", "romberg", "positive"),
    ("260385009", "SNOMED negative", "romberg", "negative"),
    ("10828004", "SNOMED positive", "callus", "present"),
    ("17621005", "SNOMED normal", "ankle-reflex", "normal"),
    ("1250004", "SNOMED decreased", "ankle-reflex", "reduced"),
    ("2667000", "SNOMED absent", "ankle-reflex", "absent"),
    ("42425007", "SNOMED equivocal", "plantar-response", "equivocal"),
    ("263654008", "SNOMED abnormal", "nerve-conduction", "abnormal"),
    ("263654008", "SNOMED abnormal", "gait", "other-abnormal"),
    ("263654008", "SNOMED abnormal", "foot-inspection", "not-clear"),
    ("373066001", "SNOMED yes", "monofilament-10g", "felt"),
    ("373067005", "SNOMED no", "monofilament-10g", "not-felt"),
    ("2667000", "SNOMED absent", "monofilament-10g", "not-felt"),
    ("52101004", "SNOMED present", "dorsalis-pedis-pulse", "present"),
    ("2667000", "SNOMED absent", "dorsalis-pedis-pulse", "absent"),
    ("LA9633-4", "LOINC present", "dorsalis-pedis-pulse", "present"),
    ("LA9634-2", "LOINC absent", "dorsalis-pedis-pulse", "absent"),
    ("LA11841-6", "LOINC 1+", "dorsalis-pedis-pulse", "reduced"),
    ("LA11842-4", "LOINC 2+", "dorsalis-pedis-pulse", "present"),
    ("LA33-6", "LOINC yes", "callus", "present"),
    ("LA32-8", "LOINC no", "callus", "absent"),
    ("LA6626-1", "LOINC normal", "light-touch", "normal"),
    ("LA13035-3", "LOINC impaired", "light-touch", "reduced"),
    ("LA6577-6", "LOINC negative", "romberg", "negative"),
    ("385660001", "SNOMED not done", "callus", "not examined not-performed"),
    ("373121007", "SNOMED test not done", "toe-pressure", "not examined not-performed"),
    ("LA4489-6", "LOINC unknown", "callus", "not examined unknown"),
    ("LA11137-9", "LOINC unable to determine", "ankle-reflex", "not examined error"),
)


@pytest.mark.parametrize(
    ("code", "name", "concept", "expected"), OPEN, ids=[f"{name}: {concept}" for _, name, concept, _ in OPEN]
)
def test_answers_in_snomed_and_loinc(code: str, name: str, concept: str, expected: str) -> None:
    """Qualifiers and answer codes by the published ConceptMap of answers."""
    value = loinc(code) if code.startswith("LA") else snomed(code)

    assert expected == outcome(concept, {"valueCodeableConcept": value})


REFUSED_OPEN: tuple[tuple[str, str], ...] = (
    ("52101004", "ankle-reflex"), ("52101004", "light-touch"), ("17621005", "dorsalis-pedis-pulse"), ("17621005", "callus"),
    ("52101004", "amputation"), ("10828004", "ankle-reflex"), ("1250004", "callus"), ("42425007", "ankle-reflex"),
    ("373066001", "amputation"), ("373066001", "diabetes"), ("373066001", "osteomyelitis"),
)  # fmt: skip


@pytest.mark.parametrize(("code", "concept"), REFUSED_OPEN)
def test_an_open_answer_that_does_not_answer_the_question_is_refused(code: str, concept: str) -> None:
    """ "Present" says nothing of how brisk a reflex is, "normal" nothing of a pulse that is either felt or not."""
    assert "refused value-not-mapped" == outcome(concept, {"valueCodeableConcept": snomed(code)})


@pytest.mark.parametrize("concept", ["ankle-reflex", "knee-reflex", "arm-reflexes", "tone"])
def test_abnormal_is_not_read_as_reduced_where_it_may_be_the_opposite(concept: str) -> None:
    """An abnormal reflex may be absent, brisk or clonic; abnormal tone may be increased: refused, not guessed."""
    assert "refused value-not-mapped" == outcome(concept, {"valueCodeableConcept": snomed("263654008")})


def test_two_codings_that_agree_are_one_answer() -> None:
    """Ours and an open one side by side."""
    both = {"coding": [*answer("present")["coding"], *snomed("52101004")["coding"]]}

    assert "present" == outcome("callus", {"valueCodeableConcept": both})


def test_two_codings_that_disagree_are_refused() -> None:
    """Present and absent in one value: neither."""
    both = {"coding": [*answer("present")["coding"], *snomed("2667000")["coding"]]}
    content = about_p1(observation("callus", side="left", valueCodeableConcept=both))

    assert "refused value-conflict" == outcome("callus", {"valueCodeableConcept": both})
    assert [("value-conflict", "Bundle.entry[2].resource.value")] == issues(content)


def test_an_answer_beside_not_done_is_refused() -> None:
    """One coding answers, the other says that the test was not done."""
    both = {"coding": [*answer("present")["coding"], *snomed("385660001")["coding"]]}

    assert "refused value-conflict" == outcome("callus", {"valueCodeableConcept": both})


def test_a_coding_that_is_not_known_does_not_disturb_one_that_is() -> None:
    """A site's local code beside ours."""
    both = {"coding": [{"system": "urn:example:skerrow:answers", "code": "J"}, *answer("present")["coding"]]}

    assert "present" == outcome("callus", {"valueCodeableConcept": both})


@pytest.mark.parametrize(
    "value",
    [{"text": "present"}, {"coding": [{"display": "Present"}]}, {"coding": [{"code": "present"}]}, {"coding": []}, {}],
    ids=["text", "display", "no system", "no coding", "empty"],
)
def test_a_coded_value_without_system_and_code_is_refused(value: Json) -> None:
    """A display or a text is never taken for a code."""
    assert "refused value-not-mapped" == outcome("callus", {"valueCodeableConcept": value or {"id": "x"}})


def test_a_coding_in_the_wrong_letter_case_is_refused() -> None:
    """Our code systems are case sensitive."""
    assert "refused value-not-mapped" == outcome("callus", {"valueCodeableConcept": answer("Present")})


# ---------------------------------------------------------------------------------------------------------------------------------
# muscle power

GRADES = ["0", "1", "2", "3", "4-", "4", "4+", "5-", "5"]


@pytest.mark.parametrize("grade", GRADES)
def test_every_grade_of_muscle_power_as_a_code(grade: str) -> None:
    """MRC 0 to 5 with the half grades that are only codes."""
    exam = examination(about_p1(observation("power-ankle-dorsiflexion", grade, "left")))

    assert grade == exam.left.value("power-ankle-dorsiflexion")


@pytest.mark.parametrize("grade", range(6))
@pytest.mark.parametrize("how", ["integer", "Quantity", "graded"])
def test_whole_grades_of_muscle_power_as_numbers(grade: int, how: str) -> None:
    """0 to 5 as an integer, as a pure number, or in {MRC}."""
    value: Json = {
        "integer": {"valueInteger": grade},
        "Quantity": {"valueQuantity": {"value": grade}},
        "graded": {"valueQuantity": {"value": grade, "system": UCUM, "code": "{MRC}"}},
    }[how]

    assert str(grade) == outcome("power-ankle-dorsiflexion", value)


@pytest.mark.parametrize(
    "value",
    [
        {"valueInteger": 6},
        {"valueInteger": -1},
        {"valueQuantity": {"value": 4.5}},
        {"valueQuantity": {"value": 4, "system": UCUM, "code": "kg"}},
    ],
    ids=["6", "-1", "4.5", "4 kg"],
)
def test_no_other_number_is_a_grade(value: Json) -> None:
    """Four and a half is not rounded to 4 or taken for 4+."""
    assert "refused value-type" == outcome("power-ankle-dorsiflexion", value)


@pytest.mark.parametrize("code", ["ankle-reflex", "light-touch", "monofilament-foot", "arm-reflexes"])
def test_only_a_density_is_judged_by_its_reference_range(code: str) -> None:
    """The dictionary gives a Quantity with a reference range to nerve-fibre density alone."""
    grade = {"value": 4, "system": UCUM, "code": "{score}"}
    holder = {"valueQuantity": grade, "referenceRange": [{"low": grade | {"value": 2}}]}

    assert "refused value-type" == outcome(code, holder)


@pytest.mark.parametrize(("density", "expected"), [(4.9, "reduced"), (5, "normal"), (8.1, "normal")])
def test_nerve_fibre_density_by_the_limit_it_came_with(density: float, expected: str) -> None:
    """Below the laboratory's own low limit is reduced; at it is not."""
    unit = {"system": UCUM, "code": "/mm"}
    holder = {"valueQuantity": {"value": density, **unit}, "referenceRange": [{"low": {"value": 5, **unit}}]}

    assert expected == outcome("nerve-fibre-density", holder)


def test_nerve_fibre_density_with_a_limit_in_another_unit_is_refused() -> None:
    """5 per mm and 5 per cm are not the same limit."""
    holder = {
        "valueQuantity": {"value": 6, "system": UCUM, "code": "/mm"},
        "referenceRange": [{"low": {"value": 5, "system": UCUM, "code": "/cm"}}],
    }

    assert "refused value-type" == outcome("nerve-fibre-density", holder)


# ---------------------------------------------------------------------------------------------------------------------------------
# units

EXACT: tuple[tuple[str, str, str, str], ...] = (
    ("toe-pressure", "30", "mm[Hg]", "30"),
    ("toe-pressure", "0.03", "m[Hg]", "30"),
    ("body-temperature", "100.4", "[degF]", "38"),
    ("body-temperature", "98.6", "[degF]", "37"),
    ("body-temperature", "311.15", "K", "38"),
    ("body-temperature", "38.0", "Cel", "38.0"),
    ("vibration-threshold", "25000", "mV", "25"),
    ("vibration-threshold", "24999", "mV", "24.999"),
    ("vibration-threshold", "25000000", "uV", "25"),
    ("sural-amplitude", "0.006", "mV", "6"),
    ("sural-amplitude", "6000", "nV", "6"),
    ("fibular-motor-amplitude", "2500", "uV", "2.5"),
    ("sural-velocity", "4000", "cm/s", "40"),
    ("sural-velocity", "40", "mm/ms", "40"),
    ("sural-velocity", "40", "m.s-1", "40"),
    ("sural-velocity", "144", "km/h", "40"),
    ("fibular-distal-latency", "0.0061", "s", "6.1"),
    ("vibration-time-difference", "7500", "ms", "7.5"),
    ("capillary-refill", "0.05", "min", "3"),
    ("white-cell-count", "12000", "/uL", "12"),
    ("white-cell-count", "12001", "/uL", "12.001"),
    ("white-cell-count", "12", "10*3/uL", "12"),
    ("white-cell-count", "12000000000", "/L", "12"),
    ("white-cell-count", "12", "10*9/l", "12"),
    ("ankle-brachial-index", "90", "%", "0.9"),
    ("ankle-brachial-index", "0.9", "1", "0.9"),
    ("ankle-brachial-index", "0.9", "mm[Hg]/mm[Hg]", "0.9"),
    ("conduction-block", "0.5", "1", "50"),
    ("heart-rate-resting", "1.5", "Hz", "90"),
    ("heart-rate-resting", "90", "{beats}/min", "90"),
    ("ulcer-area", "150", "mm2", "1.5"),
    ("erythema-extent", "20", "mm", "2"),
    ("body-height", "1.8", "m", "180"),
    ("hba1c", "6.5", "%", "6.5"),
    ("hba1c", "48", "mmol/mol", "6.5420"),
    ("hba1c", "20", "mmol/mol", "3.9800"),
    ("vitamin-b12", "200", "ng/L", "200"),
    ("vitamin-b12", "20", "ng/dL", "200"),
    ("vitamin-b12", "0.2", "ng/mL", "200"),
    ("creatinine", "1", "mg/dL", "88.4"),
    ("creatinine", "0.1", "mmol/L", "100"),
    ("fasting-glucose", "126", "mg/dL", "7"),
    ("haemoglobin", "12", "g/dL", "120"),
    ("tsh", "4.2", "u[IU]/mL", "4.2"),
    ("egfr", "30", "mL/min/{1.73_m2}", "30"),
)


@pytest.mark.parametrize(
    ("code", "value", "unit", "expected"), EXACT, ids=[f"{code} {value} {unit}" for code, value, unit, _ in EXACT]
)
def test_conversions_that_are_exact_come_out_exact(code: str, value: str, unit: str, expected: str) -> None:
    """A boundary in one unit is the same boundary in the other: no binary rounding on the way."""
    data = f'{{"resourceType": "Observation", "valueQuantity": {{"value": {value}, "system": "{UCUM}", "code": "{unit}"}}}}'
    holder = wire.resource_decoder.decode(data.encode())

    assert Decimal(expected) == read_value(holder, concepts()[code], lexicon(), DAY)


NEAR: tuple[tuple[str, str, str, Decimal], ...] = (
    ("toe-pressure", "4", "kPa", Decimal(4000) / Decimal("133.322387415")),
    ("toe-pressure", "40", "mbar", Decimal(4000) / Decimal("133.322387415")),
    ("paco2", "32", "mm[Hg]", Decimal(32) * Decimal("0.133322387415")),
    ("body-temperature", "100", "[degF]", Decimal(340) / 9),
    ("vitamin-b12", "148", "pmol/L", Decimal(148) / Decimal("0.738")),
    ("vitamin-b12", "0.148", "nmol/L", Decimal(148) / Decimal("0.738")),
    ("folate", "10", "nmol/L", Decimal(10) / Decimal("2.266")),
    ("body-height", "6", "[ft_i]", Decimal("182.88")),
    ("body-weight", "154", "[lb_av]", Decimal(154) * Decimal("0.45359237")),
)


@pytest.mark.parametrize(
    ("code", "value", "unit", "expected"), NEAR, ids=[f"{code} {value} {unit}" for code, value, unit, _ in NEAR]
)
def test_other_conversions_agree_to_ten_digits(code: str, value: str, unit: str, expected: Decimal) -> None:
    """Against the published factor, computed here."""
    found = convert(Decimal(value), unit, concepts()[code].unit, code)

    assert abs(found - expected) <= abs(expected) * Decimal("1e-10")


def test_the_table_of_units_equals_the_ucum_library() -> None:
    """`units.tsv` holds what the UCUM library computes now, no more and no less."""
    asked = {(unit, wanted): ucum_conversion(unit, wanted) for wanted, given in COMMON.items() for unit in given}

    assert asked == units._tabulated()


@pytest.mark.parametrize("unit", [concept.unit for concept in concepts().values() if concept.unit and "{" not in concept.unit])
def test_every_unit_of_the_dictionary_is_ucum(unit: str) -> None:
    """The library knows each of them, and converts it to itself."""
    assert (1, 0) == ucum_conversion(unit, unit)


INCOMMENSURABLE = (
    ("toe-pressure", "V"), ("toe-pressure", "Cel"), ("toe-pressure", "1"), ("vibration-threshold", "mm[Hg]"), ("body-temperature", "C"),
    ("body-temperature", "V"), ("sural-velocity", "ms"), ("sural-velocity", "ms/s"), ("fibular-distal-latency", "m/s"),
    ("sural-amplitude", "A"), ("white-cell-count", "g/L"), ("white-cell-count", "K/uL"), ("white-cell-count", "G/L"), ("hba1c", "1"),
    ("hba1c", "g/L"), ("vitamin-b12", "g"), ("creatinine", "g/L"), ("haemoglobin", "mmol/L"), ("tsh", "mmol/L"), ("tsh", "g/L"),
    ("ulcer-area", "cm"), ("erythema-extent", "cm2"), ("egfr", "mL/min/m2"), ("ankle-brachial-index", "mm[Hg]"), ("toe-touch", "cm"),
    ("methylmalonic-acid", "ug/L"), ("heart-rate-resting", "min"),
)  # fmt: skip


@pytest.mark.parametrize(("code", "unit"), INCOMMENSURABLE)
def test_a_unit_of_another_dimension_is_refused(code: str, unit: str) -> None:
    """Nothing is converted that cannot be, even when the letters look right (K is kelvin, G gauss, C coulomb)."""
    assert "refused unit-incommensurable" == outcome(code, {"valueQuantity": quantity(1, unit)})


NOT_UCUM = (
    "mmHg",
    "mm Hg",
    "MMHG",
    "KPA",
    "torr",
    "kpa",
    "",
    " ",
    "mm[Hg",
    "mm[Hg]]",
    "(",
    "{",
    "☃",
    "a" * 5000,
    "kPa" + "." * 500,
)


@pytest.mark.parametrize("unit", [unit for unit in NOT_UCUM if unit.strip()], ids=lambda unit: unit[:8])
def test_what_is_no_ucum_code_is_refused(unit: str) -> None:
    """UCUM codes are case sensitive and are not displays; hostile lengths do not hang the reader."""
    found = outcome("toe-pressure", {"valueQuantity": quantity(30, unit)})

    assert found in ("refused unit-not-ucum", "refused unit-incommensurable")


def test_a_unit_that_ends_in_a_stroke_is_not_ucum() -> None:
    """Something per nothing."""
    assert "refused unit-not-ucum" == outcome("toe-pressure", {"valueQuantity": quantity(4, "kPa/")})


@pytest.mark.parametrize("unit", ["mmHg", "degC", "bpm", "Torr", "ratio", "cel"])
def test_displays_and_fantasy_units_are_named_as_such(unit: str) -> None:
    """The key says that it is the unit's code, not its dimension."""
    assert "refused unit-not-ucum" == outcome("toe-pressure", {"valueQuantity": quantity(30, unit)})


@pytest.mark.parametrize(
    ("given", "key"),
    [
        ({"value": 30}, "unit-missing"),
        ({"value": 30, "unit": "mmHg"}, "unit-missing"),
        ({"value": 30, "unit": "mm[Hg]", "system": UCUM}, "unit-missing"),
        ({"value": 30, "code": "mm[Hg]"}, "unit-not-ucum"),
        ({"value": 30, "code": "mm[Hg]", "system": "http://snomed.info/sct"}, "unit-not-ucum"),
        ({"value": 30, "code": "259018001", "system": "http://snomed.info/sct"}, "unit-not-ucum"),
        ({"code": "mm[Hg]", "system": UCUM}, "value-missing"),
        ({}, "value-missing"),
    ],
)
def test_a_measured_value_needs_its_number_and_its_ucum_unit(given: Json, key: str) -> None:
    """UCUM only in `Quantity.code` with its `system`; `unit` is a display (interop I7)."""
    assert f"refused {key}" == outcome("toe-pressure", {"valueQuantity": given or {"id": "x"}})


@pytest.mark.parametrize("comparator", ["<", "<=", ">", ">=", "~", ""])
def test_a_comparator_is_not_a_measured_value(comparator: str) -> None:
    """ "< 30 mmHg" is no number to compare (interop I3)."""
    content = about_p1(
        observation("toe-pressure", side="left", valueQuantity=quantity(30, "mm[Hg]") | {"comparator": comparator})
    )

    assert [("comparator", "Bundle.entry[2].resource.value")] == issues(content)
    assert "unknown" == finding(content, "arterialDisease")["left"]


OUT_OF_RANGE = (
    ("body-temperature", 19.9, "Cel"), ("body-temperature", 45.1, "Cel"), ("body-temperature", 38, "K"), ("body-temperature", 38, "[degF]"),
    ("ankle-brachial-index", 5.1, "1"), ("ankle-brachial-index", 95, "1"), ("toe-brachial-index", 70, "1"), ("toe-pressure", -1, "mm[Hg]"),
    ("vibration-threshold", 101, "V"), ("vibration-threshold", -25, "V"), ("toe-touch", 4, "1"), ("toe-touch", 2.5, "1"),
    ("vibration-graded", 9, "{score}"), ("pain-score", 11, "{score}"), ("ulcer-area", -0.1, "cm2"), ("diabetes-onset", 151, "a"),
    ("diabetes-onset", -1, "a"), ("white-cell-count", -1, "10*9/L"), ("infection-sign-count", 6, "1"), ("toe-pressure", 301, "mm[Hg]"),
    ("ankle-pressure", 401, "mm[Hg]"), ("tcpo2", 201, "mm[Hg]"), ("egfr", 251, "mL/min/{1.73_m2}"), ("toe-pressure", 80, "kPa"),
)  # fmt: skip


@pytest.mark.parametrize(("code", "value", "unit"), OUT_OF_RANGE)
def test_a_number_that_cannot_be_is_refused(code: str, value: float, unit: str) -> None:
    """38 kelvin or 38 degrees Fahrenheit are no body temperatures, 95 is no index."""
    assert "refused value-out-of-range" == outcome(code, {"valueQuantity": quantity(value, unit)})


@pytest.mark.parametrize(
    ("code", "value", "unit"),
    [("body-temperature", 20, "Cel"), ("body-temperature", 45, "Cel"), ("ankle-brachial-index", 5, "1"), ("ankle-brachial-index", 0, "1"),
     ("toe-touch", 0, "1"), ("toe-touch", 3, "1"), ("toe-pressure", 0, "mm[Hg]"), ("toe-pressure", 300, "mm[Hg]"),
     ("ankle-pressure", 400, "mm[Hg]"), ("egfr", 250, "mL/min/{1.73_m2}"), ("foot-skin-temperature", -1, "Cel"), ("diabetes-onset", 150, "a")],
)  # fmt: skip
def test_the_ends_of_a_range_are_within_it(code: str, value: float, unit: str) -> None:
    """Both ends are still measurable."""
    assert not str(outcome(code, {"valueQuantity": quantity(value, unit)})).startswith("refused")


def test_an_annotated_ifcc_unit_is_still_the_ifcc_unit() -> None:
    """UCUM: curly braces do not change a unit."""
    assert Decimal("6.5420") == outcome("hba1c", {"valueQuantity": quantity(48, "mmol/mol{Hb}")})


@pytest.mark.parametrize("unit", ["umol/mmol", "10*-3", "[ppth]", "{ratio}"])
def test_hba1c_in_another_ratio_is_refused_or_goes_through_the_equation(unit: str) -> None:
    """48 thousandths IFCC are 6.5 % NGSP, not 4.8 %: the two methods differ by more than a factor."""
    found = outcome("hba1c", {"valueQuantity": quantity(48, unit)})

    assert found == Decimal("6.5420") or str(found).startswith("refused")


def test_both_spellings_of_the_international_unit_are_one() -> None:
    """UCUM lists [iU] and [IU] for the same unit."""
    assert Decimal("4.2") == outcome("tsh", {"valueQuantity": quantity(4.2, "m[iU]/L")})


@pytest.mark.parametrize(("years", "first", "last"), [(5, "2020-03-02", "2021-03-02"), (0, "2025-03-02", "2026-03-02")])
def test_a_duration_of_diabetes_is_the_year_it_names(years: int, first: str, last: str) -> None:
    """5 years since diagnosis: five completed years, so between six and five years ago."""
    holder = wire.resource_decoder.decode(orjson.dumps({"resourceType": "Observation", "valueQuantity": quantity(years, "a")}))
    found = read_value(holder, concepts()["diabetes-onset"], lexicon(), DAY)

    assert isinstance(found, Moment)
    assert (first, last) == (found.first_day.isoformat(), found.last_day.isoformat())


# ---------------------------------------------------------------------------------------------------------------------------------
# at the limit of a rule, after conversion


def _ulcer_with(temperature: float, unit: str) -> list[str]:
    exam = Exam().pulses("both").see("foot-ulcer", "present", "left")
    exam.see("body-temperature", {"valueQuantity": quantity(temperature, unit)})
    return list(summary_of(exam).get("threats", ()))


@pytest.mark.parametrize(
    ("value", "unit", "fever"),
    [
        (38.0, "Cel", False), (38.1, "Cel", True), (100.4, "[degF]", False), (100.5, "[degF]", True), (311.15, "K", False), (311.16, "K", True),
    ],
)  # fmt: skip
def test_fever_is_above_38_degrees_in_every_unit(value: float, unit: str, fever: bool) -> None:
    """An ulcer with fever is a reason to act at once (NG19 1.4.1; the limit is strict): 100.4 degF is 38.0 and is not above it."""
    assert fever == ("ulcer-with-systemic-signs" in _ulcer_with(value, unit))


@pytest.mark.parametrize(
    ("value", "unit", "low"),
    [(0.9, "{ratio}", False), (0.89, "{ratio}", True), (90, "%", False), (89.99, "%", True), (0.9, "mm[Hg]/mm[Hg]", False)],
)
def test_an_index_of_exactly_0_9_is_not_below_it(value: float, unit: str, low: bool) -> None:
    """IWGDF 2015: below 0.9 is abnormal; 0.9 itself neither sets nor clears (normal or raised never excludes in diabetes, CG147)."""
    content = about_p1(observation("ankle-brachial-index", side="left", valueQuantity=quantity(value, unit)))

    assert ("yes" if low else "unknown") == finding(content, "arterialDisease")["left"]


@pytest.mark.parametrize(
    ("value", "unit", "lost"),
    [(25, "V", True), (25000, "mV", True), (24999, "mV", False), (24.999, "V", False), (25000000, "uV", True)],
)
def test_a_vibration_threshold_of_exactly_25_volts_is_abnormal(value: float, unit: str, lost: bool) -> None:
    """25 V or more (Int Wound J, PMC7950904)."""
    content = about_p1(observation("vibration-threshold", side="left", valueQuantity=quantity(value, unit)))

    assert ("yes" if lost else "unknown") == finding(content, "protectiveSensationLost")["left"]


@pytest.mark.parametrize(
    ("value", "unit", "low"), [(30, "mm[Hg]", False), (29.9, "mm[Hg]", True), (4, "kPa", False), (3.99, "kPa", True)]
)
def test_a_toe_pressure_of_exactly_30_is_not_below_it(value: float, unit: str, low: bool) -> None:
    """Below 30 mmHg (PMC11279131, Table 2); 4 kPa is 30.002 mmHg."""
    content = about_p1(observation("toe-pressure", side="left", valueQuantity=quantity(value, unit)))

    assert ("yes" if low else "unknown") == finding(content, "arterialDisease")["left"]


@pytest.mark.parametrize(
    ("count", "unit", "grade"), [(12, "10*9/L", "3"), (12000, "/uL", "3"), (12001, "/uL", "4"), (12.1, "10*3/uL", "4")]
)
def test_white_cells_of_exactly_12_are_not_above_it(count: float, unit: str, grade: str) -> None:
    """IWGDF/IDSA: above 12 x 10^9/L is a systemic sign; here the second one beside a pulse of 104 makes the infection severe."""
    exam = Exam().see("foot-ulcer", "present", "left").see("infection-sign-count", 3, "left").see("erythema-extent", 3.0, "left")
    exam.see("deep-infection", "absent", "left").see("osteomyelitis", "absent", "left")
    exam.see("body-temperature", 37.0).see("heart-rate-resting", 104).see("respiratory-rate", 14)
    exam.see("white-cell-count", {"valueQuantity": quantity(count, unit)})

    assert grade == summary_of(exam)["ulcers"][0]["infection"]


@pytest.mark.parametrize(("value", "unit", "sinbad"), [(1, "cm2", 1), (100, "mm2", 1), (99, "mm2", 0), (0.99, "cm2", 0)])
def test_an_ulcer_of_exactly_one_square_centimetre_counts(value: float, unit: str, sinbad: int) -> None:
    """SINBAD: area 1 cm2 or more scores 1 (World J Diabetes 2022;13:1049)."""
    exam = (
        Exam()
        .felt("both")
        .pulses("both")
        .see("foot-ulcer", "present", "left", "forefoot")
        .see("foot-infection", "absent", "left")
    )
    exam.see("ulcer-depth", "skin", "left", "forefoot").see(
        "ulcer-area", {"valueQuantity": quantity(value, unit)}, "left", "forefoot"
    )

    assert sinbad == summary_of(exam)["ulcers"][0]["sinbad"]


def test_exactly_30_of_filtration_counts_in_scotland() -> None:
    """The chart leaves exactly 30 open; it counts (rule of the project), 30.1 does not."""
    at, above = (summary_of(Exam().normal().see("egfr", number, effectiveDateTime="2026-03-02"))["footRisk"]["scotland-2016"] for number in (30, 30.1))  # fmt: skip

    assert ("moderate", "low") == (at["atLeast"], above["atLeast"])


def test_two_degrees_between_the_feet_are_two_degrees_in_fahrenheit() -> None:
    """A difference is computed from two temperatures: 93.2 and 89.6 degF are 34 and 32 Cel."""
    exam = Exam().see("hot-swollen-foot", "present", "left")
    for side, degrees in zip(FEET, (93.2, 89.6), strict=True):
        exam.see("foot-skin-temperature", {"valueQuantity": quantity(degrees, "[degF]")}, side)

    assert "skin-temperature-difference-supports-charcot" in summary_of(exam)["notes"]


# ---------------------------------------------------------------------------------------------------------------------------------
# not examined

REASONS = (
    "unknown", "asked-unknown", "temp-unknown", "not-asked", "asked-declined", "masked", "not-applicable", "unsupported", "as-text", "error",
    "not-a-number", "negative-infinity", "positive-infinity", "not-performed", "not-permitted",
)  # fmt: skip


@pytest.mark.parametrize("reason", REASONS)
def test_every_reason_for_absence_is_kept_as_such(reason: str) -> None:
    """FHIR R4 data-absent-reason, all 15 codes: not examined with its reason, which is neither normal nor present (interop I4)."""
    content = about_p1(
        observation("callus", side="left", dataAbsentReason={"coding": [{"system": canonical.ABSENT_REASON, "code": reason}]})
    )
    exam = examination(content)

    assert [("callus", "left", reason)] == [(one.concept.code, one.side, one.reason) for one in exam.not_examined]
    assert exam.left.value("callus") is None
    assert "unknown" == finding(content, "callus")["left"]
    assert 3 == summary_of(content)["intake"]["used"]


def test_a_reason_that_does_not_exist_is_not_kept() -> None:
    """`nothing-wrong` is none of the 15 codes: unknown at best."""
    absent = {"coding": [{"system": canonical.ABSENT_REASON, "code": "nothing-wrong"}]}
    exam = examination(about_p1(observation("callus", side="left", dataAbsentReason=absent)))

    assert ["unknown"] == [one.reason for one in exam.not_examined]


@pytest.mark.parametrize(
    "absent", [{"text": "leg in a cast"}, {"coding": [{"code": "not-performed"}]}, {"coding": [{"system": "urn:x", "code": "y"}]}]
)
def test_a_reason_in_an_unknown_form_is_still_not_examined(absent: Json) -> None:
    """The test was not done; only why is not understood."""
    assert ["unknown"] == [
        one.reason for one in examination(about_p1(observation("callus", side="left", dataAbsentReason=absent))).not_examined
    ]


BOTH: dict[str, Json] = {
    "code": {"valueCodeableConcept": answer("present")},
    "boolean": {"valueBoolean": True},
    "string": {"valueString": "Present"},
    "integer": {"valueInteger": 2},
    "Quantity": {"valueQuantity": quantity(30, "mm[Hg]")},
    "dateTime": {"valueDateTime": "2026-01-01"},
}
_FOR = {"integer": "toe-touch", "Quantity": "toe-pressure", "dateTime": "ulcer-onset"}
_UNKNOWN = {"dataAbsentReason": {"coding": [{"system": canonical.ABSENT_REASON, "code": "unknown"}]}}


@pytest.mark.parametrize("kind", BOTH)
def test_a_value_and_a_reason_for_its_absence_exclude_each_other(kind: str) -> None:
    """obs-6: refused as a whole; the path is the resource, for neither element alone is at fault."""
    content = about_p1(observation(_FOR.get(kind, "callus"), side="left", **BOTH[kind], **_UNKNOWN))

    assert [("value-and-absent-reason", "Bundle.entry[2].resource")] == issues(content)
    assert "unknown" == finding(content, "callus")["left"]


@pytest.mark.parametrize("kind", [*BOTH, "Range"])
@pytest.mark.parametrize("check", [False, True])
def test_the_same_with_and_without_the_structural_check(kind: str, check: bool) -> None:
    """obs-6 is ours to check: the models do not."""
    value = BOTH.get(kind, {"valueRange": {"low": {"value": 1, "unit": "x"}}})
    found = keys(about_p1(observation(_FOR.get(kind, "callus"), side="left", **value, **_UNKNOWN)), check=check)

    assert found in (["value-and-absent-reason"], ["value-type"])


def test_a_component_may_not_have_both_either() -> None:
    """The path is the component."""
    part = component({"coding": [{"system": canonical.SIDE, "code": "left"}]}, "present", **_UNKNOWN)

    assert [("value-and-absent-reason", "Bundle.entry[2].resource.component[0]")] == issues(
        about_p1(observation("callus", component=[part]))
    )


def test_a_component_may_say_that_its_side_was_not_examined() -> None:
    """One foot seen, the other not."""
    parts = [
        component({"coding": [{"system": canonical.SIDE, "code": "left"}]}, "present"),
        component({"coding": [{"system": canonical.SIDE, "code": "right"}]}, **_UNKNOWN),
    ]
    exam = examination(about_p1(observation("callus", component=parts)))

    assert "present" == exam.left.value("callus")
    assert [("right", "unknown")] == [(one.side, one.reason) for one in exam.not_examined]


@pytest.mark.parametrize("code", ["callus", "foot-ulcer", "monofilament-10g", "toe-pressure", "ankle-reflex", "symptom-onset"])
def test_not_examined_never_reads_as_normal(code: str) -> None:
    """Every factor stays as open as if nothing had been sent."""
    nothing = summary_of(Exam())
    said = summary_of(about_p1(observation(code, side="left", site="hallux", **_UNKNOWN)))

    assert nothing["findings"] == said["findings"]
    assert nothing["footRisk"] == said["footRisk"]


def test_not_examined_does_not_undo_what_was_found() -> None:
    """A later "not performed" leaves the earlier finding standing."""
    content = about_p1(
        observation("callus", "present", "left", id="a", effectiveDateTime="2026-02-01"),
        observation("callus", side="left", id="b", **_UNKNOWN),
    )

    assert "yes" == finding(content, "callus")["left"]


# ---------------------------------------------------------------------------------------------------------------------------------
# no value, several values, and findings that are their own value


@pytest.mark.parametrize(
    "code",
    [code for code, concept in concepts().items() if concept.answers == ("absent", "present") and concept.scope != "component"],
)
def test_a_problem_that_is_only_named_is_read_as_present(code: str) -> None:
    """The safe reading, with the warning `read-as-present`."""
    content = about_p1(observation(code, side="left"))

    assert ("read-as-present", "Bundle.entry[2].resource") in issues(content)


@pytest.mark.parametrize(
    "code",
    ["dorsalis-pedis-pulse", "monofilament-10g", "ankle-reflex", "toe-pressure", "toe-touch", "mnsi-question-7", "amputation"],
)
def test_anything_else_without_a_value_is_unusable(code: str) -> None:
    """A pulse that is only named was neither felt nor missed."""
    content = about_p1(observation(code, side="left", site="hallux"))

    assert ("value-missing", "Bundle.entry[2].resource") in issues(content)


@pytest.mark.parametrize("check", [False, True])
def test_two_values_at_once_are_a_fault_of_structure(check: bool) -> None:
    """value[x] is one choice: which was meant is not for us to say."""
    content = about_p1(observation("callus", "present", "left", valueBoolean=False))

    assert [("structure-invalid", "Bundle.entry[2].resource")] == issues(content, check=check)


@pytest.mark.parametrize(
    "second",
    [{"valueRange": {"low": {"value": 1}}}, {"valueRatio": {"numerator": {"value": 1}}}, {"valuePeriod": {"start": "2026"}}],
)
def test_two_values_of_which_one_is_never_read_are_a_fault_too(second: Json) -> None:
    """The same fault in a type that no finding takes."""
    assert [("structure-invalid", "Bundle.entry[2].resource")] == issues(
        about_p1(observation("callus", "present", "left", **second))
    )


def _mapped_findings() -> list[tuple[str, str, str, str, str | None]]:
    """(system, code, concept, value, condition) of every open code that is a finding by itself, from the published ConceptMap."""
    found = []
    for key, targets in lexicon()._findings.items():
        for target in targets:
            if target.value is not None:
                found.append((*key, target.concept.code, target.value, target.condition))
    return found


FINDING_CODES = _mapped_findings()
_CONDITION_SITE = {None: None, "foot": "foot", "leg": "foot", "ankle": "ankle", "knee": "knee", "arm": "hand", "no-site": None}


@pytest.mark.parametrize(
    ("system", "code", "concept", "value", "limit"),
    FINDING_CODES,
    ids=[f"{code} {concept}" for _, code, concept, _, _ in FINDING_CODES],
)
def test_every_open_code_of_a_finding_counts_as_the_finding(
    system: str, code: str, concept: str, value: str, limit: str | None
) -> None:
    """A finding-style Observation, or a Condition, with nothing but its code (and the site that the code asks for)."""
    if limit in ("suspected", "suspected-foot"):
        resource = condition({"coding": [{"system": system, "code": code}]}, verification="provisional")
        resource["bodySite"] = [_site("foot", "left")]
    else:
        resource = observation(
            {"coding": [{"system": system, "code": code}]}, bodySite=_site(_CONDITION_SITE[limit], _side_of(system, code))
        )
    exam = examination(bundle(patient(), {key: part for key, part in resource.items() if part}))
    place = concepts()[concept]
    found = (
        [exam.value(concept)]
        if place.scope == "person"
        else [one.value for limb in exam.limbs for one in limb if one.concept.code == concept]
    )

    assert found
    assert {value} == set(found)


def _side_of(system: str, code: str) -> str | None:
    """No side where the code names one itself."""
    return None if any(target.side for target in lexicon()._findings[system, code]) else "left"


def _site(site: str | None, side: str | None) -> Json | None:
    parts = [{"system": canonical.SITE, "code": site}] if site else []
    parts += [{"system": canonical.SIDE, "code": side}] if side else []
    return {"coding": parts} if parts else None


DENIALS: tuple[Json, ...] = (
    {"valueBoolean": False}, {"valueCodeableConcept": snomed("2667000")}, {"valueCodeableConcept": snomed("373067005")},
    {"valueCodeableConcept": loinc("LA9634-2")}, {"valueCodeableConcept": answer("absent")}, {"valueString": "Absent"},
)  # fmt: skip


@pytest.mark.parametrize("value", DENIALS)
def test_a_finding_that_is_denied_is_absent(value: Json) -> None:
    """Foot ulcer (95345008) with a value that says no."""
    assert "no" == finding(about_p1(observation(snomed("95345008"), side="left", **value)), "ulcer")["left"]


@pytest.mark.parametrize(
    "value", [{"valueBoolean": True}, {"valueCodeableConcept": snomed("52101004")}, {"valueCodeableConcept": answer("present")}]
)
def test_a_finding_that_is_affirmed_is_present(value: Json) -> None:
    """The same with a value that says yes."""
    assert "yes" == finding(about_p1(observation(snomed("95345008"), side="left", **value)), "ulcer")["left"]


PRESENT_IN_WORDS = {"valueString": "Present"}


@pytest.mark.parametrize("code", ["301170006", "86854008", "371186005", "44054006", "77176002"])
def test_a_finding_that_is_affirmed_in_words_is_the_finding(code: str) -> None:
    """Pulse absent, hyperreflexia, amputation of a toe, diabetes type 2, smoker: with "Present" as with the boolean true."""
    said, affirmed = (
        examination(bundle(patient(), observation(snomed(code), side="left", site="ankle", **value)))
        for value in (PRESENT_IN_WORDS, {"valueBoolean": True})
    )
    values = [[(one.concept.code, one.value) for one in exam] for exam in (said, affirmed)]

    assert values[1]
    assert values[1] == values[0]


@pytest.mark.parametrize("code", ["299934008", "274816000"])
def test_a_finding_that_is_affirmed_in_words_does_not_crash(code: str) -> None:
    """128 Hz vibration reduced (299934008) or absent (274816000)."""
    content = about_p1(observation(snomed(code), side="left", site="hallux", **PRESENT_IN_WORDS))

    assert ["value-by-display"] == keys(content)


@pytest.mark.parametrize(
    "value",
    [
        {"valueCodeableConcept": snomed("263654008")},
        {"valueInteger": 0},
        {"valueString": "maybe"},
        {"valueQuantity": quantity(2, "cm2")},
    ],
    ids=["abnormal", "0", "maybe", "2 cm2"],
)
def test_a_finding_with_a_value_that_says_neither_is_unusable(value: Json) -> None:
    """Neither present nor absent: refused, not read as present because the code says so."""
    summary = summary_of(about_p1(observation(snomed("95345008"), side="left", **value)))

    assert 1 == summary["intake"]["unusable"]
    assert "unknown" == summary["findings"]["ulcer"]["left"]


def test_denying_that_a_pulse_is_absent_does_not_make_it_normal() -> None:
    """Dorsalis pedis pulse absent (301170006) with the value false: it could be reduced, so nothing is read."""
    content = about_p1(observation(snomed("301170006"), side="left", valueBoolean=False))

    assert ["value-not-mapped"] == keys(content)
    assert examination(content).left.value("dorsalis-pedis-pulse") is None


# ---------------------------------------------------------------------------------------------------------------------------------
# codes


def test_our_code_beside_an_open_code_for_something_else_is_a_conflict() -> None:
    """The codings of one CodeableConcept mean one thing; callus and foot ulcer (95345008) are two."""
    both = {"coding": [{"system": canonical.FINDING, "code": "callus"}, *snomed("95345008")["coding"]]}

    assert ["code-conflict"] == keys(about_p1(observation(both, "present", "left")))


def test_two_open_codes_for_different_findings_are_a_conflict() -> None:
    """Callus (229811005) and foot ulcer (95345008) in one code."""
    both = {"coding": [*snomed("229811005")["coding"], *snomed("95345008")["coding"]]}

    assert [("code-conflict", "Bundle.entry[2].resource.code")] == issues(about_p1(observation(both, side="left")))


def test_our_code_beside_its_own_translation_is_no_conflict() -> None:
    """Senders keep both codings (interop I8)."""
    both = {"coding": [*snomed("421811005")["coding"], {"system": canonical.FINDING, "code": "dorsalis-pedis-pulse"}]}
    content = about_p1(observation(both, "absent", "left"))

    assert [] == issues(content)
    assert "absent" == examination(content).left.value("dorsalis-pedis-pulse")


@pytest.mark.parametrize("check", [False, True])
def test_a_code_in_the_wrong_system_is_not_ours(check: bool) -> None:
    """The letters `foot-ulcer` mean nothing without the system."""
    content = about_p1(observation({"coding": [{"system": "urn:example:other", "code": "foot-ulcer"}]}, "present", "left"))

    assert [("code-not-mapped", "Bundle.entry[2].resource.code")] == issues(content, check=check)


@pytest.mark.parametrize("code", ["95345008 ", " 95345008", "95345008\n", "095345008"])
def test_a_code_with_white_space_is_not_the_code(code: str) -> None:
    """Codes are compared exactly; it is said that this one was not understood."""
    assert ["code-not-mapped"] == keys(about_p1(observation(snomed(code), side="left")))


@pytest.mark.parametrize(
    ("code", "site", "expected"),
    [
        ("246581004", None, ["code-needs-site"]),
        ("246581004", "ankle", []),
        ("37280007", "wrist", ["code-needs-site"]),
        ("247398009", "hand", ["code-needs-site"]),
    ],
)
def test_a_code_that_is_read_with_a_site_only_asks_for_it(code: str, site: str | None, expected: list[str]) -> None:
    """A tendon reflex without a body site is neither ankle nor knee."""
    value = "normal" if code == "246581004" else None

    assert expected == keys(about_p1(observation(snomed(code), value, "left", site)))
