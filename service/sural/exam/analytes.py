"""Conversions that need to know the substance: UCUM alone cannot relate a mass to an amount, or two HbA1c methods."""

from decimal import Decimal

from msgspec import Struct

from sural.evidence.citation import Citation, Mark


class Equation(Struct, frozen=True):
    """A linear equation from one unit to the unit the rules work in: wanted = scale * value + offset."""

    scale: Decimal
    citation: Citation
    offset: Decimal = Decimal(0)

    def apply(self, value: Decimal) -> Decimal:
        return self.scale * value + self.offset


_NGSP = Citation("NGSP, IFCC standardization of HbA1c", "NGSP % = 0.09148 x IFCC + 2.152, printed as 0.0915 and 2.15", Mark.SEEN)
_B12 = Citation("molar mass of cyanocobalamin 1355.4 g/mol", "1 pg/mL = 0.738 pmol/L", Mark.SEEN)
_FOLATE = Citation("molar mass of folic acid 441.4 g/mol", "1 ug/L = 2.266 nmol/L", Mark.SEEN)
_CREATININE = Citation("molar mass of creatinine 113.1 g/mol", "1 mg/dL = 88.4 umol/L", Mark.SEEN)
_GLUCOSE = Citation("molar mass of glucose 180.16 g/mol", "1 mmol/L = 18.0 mg/dL", Mark.SEEN)

EQUATIONS: dict[str, dict[str, Equation]] = {
    "hba1c": {"%": Equation(Decimal(1), _NGSP), "mmol/mol": Equation(Decimal("0.0915"), _NGSP, Decimal("2.15"))},
    "vitamin-b12": {"pmol/L": Equation(1 / Decimal("0.738"), _B12), "nmol/L": Equation(1000 / Decimal("0.738"), _B12)},
    "folate": {"nmol/L": Equation(1 / Decimal("2.266"), _FOLATE)},
    "creatinine": {"mg/dL": Equation(Decimal("88.4"), _CREATININE), "mg/L": Equation(Decimal("8.84"), _CREATININE)},
    "fasting-glucose": {"mg/dL": Equation(1 / Decimal("18.0"), _GLUCOSE)},
}
"""By concept and unit. Where the unit that the rules work in stands among them (HbA1c in NGSP %), it belongs to a method and not to a
dimension: no other ratio is the same measurement, and nothing is converted to it by arithmetic alone."""
