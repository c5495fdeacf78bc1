"""What the sender declared complete: on an examined foot, nothing visible that is not recorded; no history not recorded."""

from collections.abc import Mapping

from sural.exam.examination import Examination
from sural.exam.finding import Finding
from sural.terminology.concept import Concept

INSPECTED_CLEAR = ("foot-ulcer", "gangrene", "foot-infection", "hot-swollen-foot")
VISIBLE = (*INSPECTED_CLEAR, "callus", "foot-deformity", "significant-callus", "significant-deformity", "dry-skin", "fissure",
           "nail-problem", "oedema")  # fmt: skip
_PLAIN = {"significant-callus": "callus", "significant-deformity": "foot-deformity"}
HISTORY = ("previous-foot-ulcer", "amputation", "charcot-history")
KIDNEYS = ("dialysis-or-transplant", "end-stage-renal-disease")


def take_at_word(exam: Examination, concepts: Mapping[str, Concept]) -> None:
    """Add what follows from what the sender declared complete; a test that was sent as not done stays not done."""
    stated = {(entry.concept.code, entry.side) for entry in exam.not_examined}

    def assume(place: dict[str, Finding], code: str, side: str | None, why: str) -> None:
        if code not in place and (code, side) not in stated:
            place[code] = Finding(concepts[code], side, None, concepts[code].answers[0], None, None, (), why)

    for limb in exam.limbs:
        if "inspection" in exam.complete and any(finding.concept.expires for finding in limb):
            for code in VISIBLE:
                if limb.value(_PLAIN.get(code, "")) != "present":
                    assume(limb.findings, code, limb.side, "complete-inspection")
        if "history" in exam.complete:
            for code in HISTORY:
                assume(limb.findings, code, limb.side, "complete-history")
    if "history" in exam.complete:
        for code in KIDNEYS:
            assume(exam.person, code, None, "complete-history")
