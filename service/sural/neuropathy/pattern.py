"""Patterns of neuropathy as a table: each with its rule in words, its source, and what would exclude it. Nothing here is a diagnosis.

The order is that of section 3 of the rule book: central signs first. Which of them stand is found in `recognition`.
"""

from msgspec import Struct

from sural.evidence.citation import Citation
from sural.exam.finding import Finding
from sural.neuropathy.sources import CAMDESSANCHE, GIBBONS, ICMR, LLEWELYN, MERCK, practice, seen


class Rule(Struct, frozen=True):
    """One pattern: its code, what it is called, the rule in words, its source, and what would exclude it."""

    code: str
    display: str
    text: str
    citation: Citation
    excluded_by: str


class Pattern(Struct, frozen=True, gc=False):
    """A pattern that stands, with its findings; `detail` narrows it down."""

    rule: Rule
    findings: tuple[Finding, ...]
    detail: str = ""

    @property
    def code(self) -> str:
        return self.rule.code


RULES = {
    rule.code: rule
    for rule in (
        Rule(
            "upper-motor-neurone", "Upper motor neurone signs",
            "extensor plantar response, clonus, raised tone or a sensory level on the trunk; brisk knee reflexes alone are a flag only",
            practice("central signs first"), "flexor plantar responses, no clonus, normal tone",
        ),
        Rule(
            "length-dependent-symmetric", "Length-dependent symmetric",
            "both sides impaired to levels at most one step apart, worse distally than proximally, legs at least as far as arms; arms only "
            "once the legs are lost to the middle of the shin or higher (expected from the knee)",
            seen(f"{ICMR} and two reviews", "arms join when the knees are reached"),
            "a difference of two levels between the sides, arms before legs, proximal loss without distal loss",
        ),
        Rule(
            "non-length-dependent", "Non-length-dependent",
            "hands impaired while the legs are lost below the middle of the shin at most, or loss above a place where sensation is normal",
            practice("hands before or worse than feet, patchy loss"), "a gradient from distal to proximal",
        ),
        Rule(
            "asymmetric-multifocal", "Asymmetric or multifocal",
            "one side lost two levels further than the other, or two or more named nerves",
            seen(LLEWELYN, "rapid multifocal pattern"), "levels within one step of each other",
        ),
        Rule(
            "proximal-radiculoplexus", "Proximal: lumbosacral radiculoplexus",
            "acute or subacute pain in thigh, hip or buttock with proximal weakness of the leg",
            seen("case page 2016 and reviews", "amyotrophy"), "no proximal weakness, or a chronic course",
        ),
        Rule("cranial", "Cranial nerve palsy", "palsy of the third, fourth, sixth or seventh nerve", seen("Izenberg 2015"), "no palsy"),
        Rule(
            "focal-mononeuropathy", "Focal mononeuropathy",
            "signs of the median, ulnar or fibular nerve; for the fibular nerve also dorsiflexion and eversion weak with inversion kept",
            practice("bedside signs of entrapment"), "inversion weak as well (root or sciatic nerve), signs beyond one nerve",
        ),
        Rule(
            "sensory-ataxic", "Sensory ataxic",
            "joint position and vibration lost on both sides with ataxia or a positive Romberg test, pinprick spared",
            seen(CAMDESSANCHE, "ataxia"), "pinprick and temperature lost in the same way, no ataxia",
        ),
        Rule(
            "dorsal-column", "Dorsal column",
            "vibration and joint position lost on both sides, pinprick and temperature not lost, with a central sign, ataxia or a risk of "
            "vitamin B12 deficiency",
            seen(MERCK, "tactile, pain and temperature usually spared"), "pinprick or temperature lost",
        ),
        Rule(
            "motor-predominant", "Motor predominant",
            "weakness more severe than the sensory loss, or proximal and distal weakness on both sides with reflexes absent at knees and ankles",
            seen("CIDP-in-diabetes reviews; JNNP 2003 Table 5"), "normal power",
        ),
        Rule(
            "acute-painful", "Acute painful",
            "pain of acute or subacute course with allodynia or a score of 7 or more",
            seen("ADA statement 2005, Table 2"), "a chronic course",
        ),
        Rule(
            "treatment-induced", "Treatment-induced",
            "new neuropathic pain or autonomic symptoms within 8 weeks of a fall of HbA1c by 2 points or more over 3 months",
            seen(GIBBONS, "abstract"), "no such fall, or an onset before it or more than 8 weeks after it",
        ),
        Rule("autonomic", "Autonomic", "orthostatic hypotension or abnormal cardiovascular tests", seen("section 3A of the rule book"), "normal tests"),
    )
}  # fmt: skip
NONE_FOUND, UNDETERMINED = "none-found", "undetermined"
DISPLAYS = {code: rule.display for code, rule in RULES.items()} | {NONE_FOUND: "None found", UNDETERMINED: "Undetermined"}
