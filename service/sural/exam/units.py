"""Numbers in the unit the rules work in. UCUM does the arithmetic; what it cannot know (molar masses, HbA1c) is in `analytes`.

The conversions a clinic meets daily are tabulated in `units.tsv`, computed once by the UCUM library (`python -m sural.exam.units`
rewrites the table, a test compares it), because building the library's registry takes over a second. Any other unit goes to the
library itself.
"""

import re
from csv import DictReader
from decimal import Clamped, Context, Decimal, Inexact, InvalidOperation, Overflow, Subnormal
from fractions import Fraction
from functools import cache, lru_cache
from pathlib import Path
from typing import Any

from sural.exam.analytes import EQUATIONS

_TABLE = Path(__file__).with_name("units.tsv")
_EXACT = Context(prec=12)
_ANNOTATION = re.compile(r"/?\{[^{}]*\}")
_ARBITRARY = re.compile(r"\[IU\]|\[arb'U\]")
_MEASURE = Context(prec=40, Emin=-1000, Emax=29, traps=[Clamped, Inexact, InvalidOperation, Overflow, Subnormal])
measure = _MEASURE.plus
"""Raises ArithmeticError for a finite number that cannot be a measurement; see `measurable`."""
DIMENSIONLESS = ("1", "{score}", "{ratio}")


class UnitError(ValueError):
    """A unit that is not UCUM, or cannot be converted to the one that is needed."""


def measurable(number: Decimal) -> bool:
    """Whether a number can be a measurement at all: finite, smaller than 1E30, of at most 40 digits and 1000 decimal places."""
    try:
        measure(number)
    except ArithmeticError:
        return False
    return number.is_finite()


def convert(value: Decimal, unit: str, wanted: str, analyte: str = "") -> Decimal:
    """The number in the wanted unit. Exact where the factor is; otherwise to 12 significant digits.

    `analyte` is the concept's code, for the few measurements that need an equation of their own. Raises UnitError.
    """
    if unit == wanted:
        return value
    if not measurable(value):
        raise UnitError("the number is beyond all measure")
    equations = EQUATIONS.get(analyte)
    if equations is not None:
        equation = equations.get(_plain(unit))
        if equation is not None:
            return _EXACT.plus(equation.apply(value))
        if wanted in equations:
            raise UnitError(f"{unit!r} cannot be converted to {wanted!r}")
    conversion = _conversion(unit, wanted)
    if isinstance(conversion, UnitError):
        raise UnitError(str(conversion))
    scale, offset = conversion
    converted = Fraction(value) * scale + offset
    return _EXACT.divide(Decimal(converted.numerator), Decimal(converted.denominator))


@lru_cache(maxsize=1024)
def _conversion(unit: str, wanted: str) -> tuple[Fraction, Fraction] | UnitError:
    """Scale and offset, or why there are none: a wrong unit is sent again and again."""
    plain, target = _plain(unit), _plain(wanted)
    if plain == target:
        return Fraction(1), Fraction(0)
    tabulated = _tabulated().get((plain, target))
    if tabulated is not None:
        return tabulated
    try:
        return ucum_conversion(plain, target)
    except UnitError as fault:
        return fault


def _plain(unit: str) -> str:
    """The unit without annotations, which mean nothing in UCUM (paragraph 6, curly braces; as a divisor they are 1), and with one of the
    two spellings that UCUM gives the international unit."""
    return _ANNOTATION.sub("", unit).replace("[iU]", "[IU]") or "1"


@cache
def _tabulated() -> dict[tuple[str, str], tuple[Fraction, Fraction]]:
    with _TABLE.open(encoding="utf-8", newline="") as file:
        rows = DictReader(file, delimiter="\t")
        return {(row["unit"], row["wanted"]): (Fraction(row["scale"]), Fraction(row["offset"])) for row in rows}


@cache
def _registry() -> Any:
    from ucumvert import PintUcumRegistry

    return PintUcumRegistry()


def ucum_conversion(unit: str, wanted: str) -> tuple[Fraction, Fraction]:
    """Scale and offset from one UCUM unit to another, asked of the UCUM library. Raises UnitError."""
    if sorted(_ARBITRARY.findall(unit)) != sorted(_ARBITRARY.findall(wanted)):
        raise UnitError(f"{unit!r} cannot be converted to {wanted!r}")
    registry = _registry()
    try:
        source, target = registry.from_ucum(unit), registry.from_ucum(wanted)
    except Exception as fault:  # the library raises many kinds for what is not UCUM
        raise UnitError(f"{unit!r} is not a UCUM unit") from fault
    try:
        offset = _in_unit(registry, 0, source, target)
        scale = (_in_unit(registry, 100, source, target) - offset) / 100
    except Exception as fault:
        raise UnitError(f"{unit!r} cannot be converted to {wanted!r}") from fault
    return _rational(scale), _rational(offset)


def _in_unit(registry: Any, number: float, source: Any, target: Any) -> float:
    magnitude = number * source.magnitude
    return float(registry.Quantity(magnitude, source.units).to(target.units).magnitude / target.magnitude)


def _rational(number: float) -> Fraction:
    """The simple fraction that a float of the library stands for (5/9 for Fahrenheit), else its 14 significant digits."""
    simple = Fraction(number).limit_denominator(1000)
    if abs(float(simple) - number) <= 1e-12 * max(abs(number), 1e-6):
        return simple
    return Fraction(f"{number:.13e}")


COMMON = {
    "mm[Hg]": ("kPa", "Pa", "hPa", "mbar", "cm[H2O]", "m[Hg]", "cm[Hg]"),
    "kPa": ("mm[Hg]", "Pa", "hPa", "mbar"),
    "Cel": ("[degF]", "K"),
    "V": ("mV", "uV"),
    "cm": ("mm", "m", "[in_i]", "[ft_i]"),
    "cm2": ("mm2", "m2", "[sin_i]", "cm.cm", "mm.mm"),
    "kg": ("g", "[lb_av]", "[stone_av]"),
    "s": ("ms", "min"),
    "ms": ("s", "us"),
    "min": ("s", "h"),
    "m/s": ("cm/s", "mm/ms", "m.s-1"),
    "uV": ("mV", "V", "nV"),
    "mV": ("uV", "V"),
    "/min": ("/s", "Hz", "min-1", "1/min"),
    "10*9/L": ("10*3/uL", "/uL", "10*3/mm3", "/mm3", "10*6/mL", "/L", "10*9/l"),
    "g/L": ("g/dL", "mg/dL", "kg/m3"),
    "ug/L": ("ng/mL", "pg/mL", "ug/mL", "ng/L"),
    "pg/mL": ("ng/L", "ng/mL", "ng/dL", "pg/dL"),
    "umol/L": ("mmol/L", "nmol/L", "nmol/mL", "mol/L"),
    "mmol/L": ("umol/L", "mol/L", "mmol/mL"),
    "mL/min": ("L/min", "mL/s", "L/h"),
    "m[IU]/L": ("u[IU]/mL", "[IU]/L", "m[IU]/mL"),
    "/mm": ("/cm", "/m"),
    "a": ("mo", "wk", "d"),
    "1": ("%", "10*-2"),
    "%": ("1",),
}


def main() -> None:
    """Rewrite `units.tsv` from the UCUM library."""
    lines = ["unit\twanted\tscale\toffset"]
    for wanted, units in COMMON.items():
        for unit in units:
            scale, offset = ucum_conversion(unit, wanted)
            lines.append(f"{unit}\t{wanted}\t{scale}\t{offset}")
    _TABLE.write_text("\n".join(lines) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
