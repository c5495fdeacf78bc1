"""Causes that findings and context support, and the tests to do first and second that are not in the record yet.

Diabetes is a diagnosis of exclusion (ADA position statement 2017, published source seen): it is named beside the others, never instead.
"""

from collections.abc import Callable
from decimal import Decimal

from msgspec import Struct

from sural.evidence.citation import Citation
from sural.evidence.rulebook import Rulebook
from sural.evidence.truth import YES
from sural.exam.finding import Finding
from sural.neuropathy.pattern import Pattern
from sural.neuropathy.signs import Signs
from sural.neuropathy.sources import AAN_2009, ADA_2017, LLEWELYN, MHRA, UK_TESTS, practice, seen

LOW_B12, BORDERLINE_B12 = Decimal(200), Decimal(300)
LOW_FOLATE = Decimal(3)
RAISED_TSH = Decimal(10)
POOR_FILTRATION = Decimal(30)
Codes = frozenset[str]


class Cause(Struct, frozen=True):
    """One cause: its code, words, source, and the test that returns the findings that support it.

    The test is not asked when `reads` names concepts and none of them was recorded, or `after` patterns and none of them stands.
    """

    code: str
    text: str
    citation: Citation
    test: Callable[[Signs, Codes], tuple[Finding, ...]]
    reads: Codes = frozenset()
    after: Codes = frozenset()


class Supported(Struct, frozen=True, gc=False):
    """A cause that is supported, with its findings."""

    cause: Cause
    findings: tuple[Finding, ...]

    @property
    def code(self) -> str:
        return self.cause.code


def causes(signs: Signs, standing: list[Pattern]) -> list[Supported]:
    """Every cause that something in the record supports."""
    codes = frozenset(pattern.code for pattern in standing)
    return [
        Supported(cause, findings)
        for cause in CAUSES.about(signs.codes)
        if not (cause.after and cause.after.isdisjoint(codes)) and (findings := cause.test(signs, codes))
    ]


def _person(code: str, *answers: str) -> Callable[[Signs, Codes], tuple[Finding, ...]]:
    def test(signs: Signs, codes: Codes) -> tuple[Finding, ...]:
        sign = signs.person(code, *answers)
        return sign.findings if sign.truth is YES else ()

    return test


def _number(code: str, holds: Callable[[Decimal], bool]) -> Callable[[Signs, Codes], tuple[Finding, ...]]:
    def test(signs: Signs, codes: Codes) -> tuple[Finding, ...]:
        finding = signs.exam.get(code)
        return (finding,) if finding is not None and holds(finding.number) else ()

    return test


def _diabetes(signs: Signs, codes: Codes) -> tuple[Finding, ...]:
    known = signs.exam.get("diabetes")
    return (known,) if known is not None and known.value != "absent" else ()


def _metformin(signs: Signs, codes: Codes) -> tuple[Finding, ...]:
    """Metformin while vitamin B12 is not known, or low."""
    taken, b12 = signs.exam.get("metformin"), signs.exam.get("vitamin-b12")
    if taken is None or taken.value != "present":
        return ()
    return (taken,) if b12 is None or b12.number < BORDERLINE_B12 else ()


def _kidneys(signs: Signs, codes: Codes) -> tuple[Finding, ...]:
    replaced, filtration = signs.exam.get("dialysis-or-transplant"), signs.exam.get("egfr")
    if replaced is not None and replaced.value != "none":
        return (replaced,)
    return (filtration,) if filtration is not None and filtration.number < POOR_FILTRATION else ()


def _protein(signs: Signs, codes: Codes) -> tuple[Finding, ...]:
    found = (_person("paraprotein"), _person("monoclonal-protein-test", "abnormal"))
    return tuple(finding for test in found for finding in test(signs, codes))


def _inherited(signs: Signs, codes: Codes) -> tuple[Finding, ...]:
    family = _person("family-history-neuropathy")(signs, codes)
    shapes = tuple(
        deformity
        for limb in signs.exam.limbs
        if (deformity := limb.get("foot-deformity")) is not None and ("deformity-type", "high-arch") in deformity.details
    )
    return family + shapes


def _loss_or_weakness(signs: Signs, codes: Codes) -> tuple[Finding, ...]:
    return signs.findings_of_loss() or _weak_findings(signs)


def _weak_findings(signs: Signs) -> tuple[Finding, ...]:
    return tuple(
        finding for limb in signs.exam.limbs for finding in limb.findings.values() if finding.concept.group in ("motor", "focal")
    )


def _vasculitis(signs: Signs, codes: Codes) -> tuple[Finding, ...]:
    course = signs.person("symptom-course", "acute", "subacute", "stepwise")
    return course.findings if course.truth is YES else ()


def _codes(*codes: str) -> Codes:
    return frozenset(codes)


CAUSES: Rulebook[Cause] = Rulebook((
    Cause("diabetes", "Diabetes, once other causes are excluded", seen(ADA_2017, "diagnosis of exclusion"), _diabetes, _codes("diabetes")),
    Cause("vitamin-b12-deficiency", "Low vitamin B12", practice("below 200 pg/mL"), _number("vitamin-b12", lambda number: number < LOW_B12), _codes("vitamin-b12")),
    Cause("vitamin-b12-borderline", "Borderline vitamin B12: methylmalonic acid decides", seen(AAN_2009, "B12 with metabolites"),
          _number("vitamin-b12", lambda number: LOW_B12 <= number < BORDERLINE_B12), _codes("vitamin-b12")),
    Cause("metformin-vitamin-b12", "Metformin lowers vitamin B12; test it in a new neuropathy, metformin may continue", seen(MHRA), _metformin, _codes("metformin")),
    Cause("vegan-diet-vitamin-b12", "A vegan diet is a risk for low vitamin B12", seen(MHRA, "risk factors"), _person("vegan-diet"), _codes("vegan-diet")),
    Cause("folate-deficiency", "Low folate", practice("below 3 ug/L"), _number("folate", lambda number: number < LOW_FOLATE), _codes("folate")),
    Cause("alcohol", "Alcohol", practice("alcohol"), _person("alcohol-excess"), _codes("alcohol-excess")),
    Cause("medicine", "A medicine known to harm nerves", seen("Practical Neurology, Table 3"), _person("neurotoxic-medicine"), _codes("neurotoxic-medicine")),
    Cause("monoclonal-gammopathy", "Monoclonal protein", seen(AAN_2009, "immunofixation"), _protein, _codes("paraprotein", "monoclonal-protein-test")),
    Cause("hypothyroidism", "Hypothyroidism", practice("TSH above 10 mIU/L"), _number("tsh", lambda number: number > RAISED_TSH), _codes("tsh")),
    Cause("uraemia", "Kidney failure", practice("uraemia"), _kidneys, _codes("dialysis-or-transplant", "egfr")),
    Cause("inherited", "Inherited neuropathy", seen(LLEWELYN, "family history"), _inherited, _codes("family-history-neuropathy", "foot-deformity")),
    Cause("inflammatory-demyelinating", "Inflammatory demyelinating neuropathy", seen(LLEWELYN, "nerve conduction when weakness progresses"),
          _loss_or_weakness, after=_codes("motor-predominant")),
    Cause("vasculitis", "Vasculitis", seen(LLEWELYN, "rapid multifocal pattern"), _vasculitis, _codes("symptom-course"), _codes("asymmetric-multifocal")),
    Cause("root-or-entrapment", "Root or entrapment", practice("asymmetric or focal"), _loss_or_weakness, after=_codes("asymmetric-multifocal", "focal-mononeuropathy")),
    Cause("spinal-cord", "Disease of the spinal cord", practice("central signs"), _loss_or_weakness, after=_codes("upper-motor-neurone", "dorsal-column")),
    Cause("sensory-neuronopathy", "Sensory neuronopathy", seen("Camdessanche (PMC8629873)"), _loss_or_weakness, after=_codes("sensory-ataxic", "non-length-dependent")),
    Cause("amyloidosis", "Amyloidosis", seen(LLEWELYN, "early autonomic involvement"), _person("weight-loss"), _codes("weight-loss"), _codes("autonomic")),
    Cause("rapid-fall-of-hba1c", "Rapid fall of HbA1c", seen("Gibbons and Freeman 2015"), _loss_or_weakness, after=_codes("treatment-induced")),
), lambda cause: cause.reads)  # fmt: skip


class Test(Struct, frozen=True):
    """One investigation: code, words, the concepts that show it is in the record already, its source, and who does it.

    `service` is empty for what is examined at the bedside.
    """

    code: str
    text: str
    recorded_by: tuple[str, ...]
    citation: Citation
    service: str = "laboratory"


FIRST = (
    Test("test-glucose", "Fasting glucose or HbA1c", ("fasting-glucose", "hba1c"), seen(AAN_2009, "highest yield")),
    Test("test-vitamin-b12", "Vitamin B12", ("vitamin-b12",), seen(AAN_2009, "highest yield")),
    Test("test-monoclonal-protein", "Serum protein electrophoresis with immunofixation", ("monoclonal-protein-test", "paraprotein"), seen(AAN_2009, "highest yield")),
    Test("test-thyroid", "Thyroid stimulating hormone", ("tsh",), seen(UK_TESTS, "first line")),
    Test("test-kidneys", "Creatinine and eGFR", ("egfr", "creatinine"), seen(UK_TESTS, "first line")),
    Test("test-blood-count", "Full blood count", ("haemoglobin",), seen(UK_TESTS, "first line")),
    Test("test-folate", "Folate", ("folate",), seen(UK_TESTS, "first line")),
)  # fmt: skip
METHYLMALONIC = Test(
    "test-methylmalonic-acid", "Methylmalonic acid", ("methylmalonic-acid",), seen(AAN_2009, "B12 with metabolites")
)
COPPER = Test("test-copper", "Copper", (), practice("dorsal column loss"))
CONDUCTION = Test(
    "test-nerve-conduction",
    "Nerve conduction study",
    ("nerve-conduction",),
    practice("atypical or demyelinating"),
    "nerve-conduction-study",
)
CORD_IMAGING = Test("image-spinal-cord", "Imaging of the spinal cord", (), practice("central signs"), "neurology")
ANTIBODIES = Test("test-vasculitis", "ANA, ANCA and inflammatory markers", (), seen(UK_TESTS, "second line"))
GENETIC = Test("test-inherited", "Genetic testing", (), seen(UK_TESTS, "second line"), "neurology")
FINGERTIPS = Test(
    "examine-fingertips", "Test the fingertips: the loss reaches the knee", (), practice("glove after stocking"), ""
)
ORTHOSTATIC = Test(
    "examine-lying-standing-pressure",
    "Lying and standing blood pressure",
    ("blood-pressure-standing",),
    seen(LLEWELYN, "Table 3"),
    "",
)
TESTS = {
    test.code: test
    for test in (*FIRST, METHYLMALONIC, COPPER, CONDUCTION, CORD_IMAGING, ANTIBODIES, GENETIC, FINGERTIPS, ORTHOSTATIC)
}
_ATYPICAL = frozenset(
    {
        "non-length-dependent",
        "asymmetric-multifocal",
        "sensory-ataxic",
        "motor-predominant",
        "proximal-radiculoplexus",
        "focal-mononeuropathy",
    }
)


def work_up(
    signs: Signs, standing: list[Pattern], supported: list[Supported], process: str, fingertips: bool, raised: bool
) -> list[Test]:
    """What to examine or test first and second, leaving out what the record already holds within the look-back."""
    codes = {pattern.code for pattern in standing}
    found = {one.code for one in supported}
    wanted: list[Test] = [FINGERTIPS] if fingertips else []
    if found & {"vitamin-b12-borderline"} or codes & {"dorsal-column", "sensory-ataxic"} or "joint-position" in _deep(signs):
        wanted += (FIRST[1], METHYLMALONIC, COPPER, FIRST[2])
    if "metformin-vitamin-b12" in found or "vegan-diet-vitamin-b12" in found:
        wanted.append(FIRST[1])
    if standing:
        wanted += FIRST
    if codes & {"upper-motor-neurone", "dorsal-column"}:
        wanted.append(CORD_IMAGING)
    if codes & _ATYPICAL or process == "demyelinating-suspected" or (raised and standing):
        wanted.append(CONDUCTION)
    if "vasculitis" in found:
        wanted.append(ANTIBODIES)
    if "inherited" in found:
        wanted.append(GENETIC)
    if "autonomic" not in codes and signs.person("postural-dizziness").truth is YES:
        wanted.append(ORTHOSTATIC)
    by_code = {test.code: test for test in wanted}
    return [test for test in by_code.values() if signs.exam.person.keys().isdisjoint(test.recorded_by)]


def _deep(signs: Signs) -> set[str]:
    """Modalities lost on both sides while pinprick is not."""
    both = {name for name in signs.legs["left"] if signs.both(name) is YES}
    return both if "pinprick" not in both and "vibration" in both else set()
