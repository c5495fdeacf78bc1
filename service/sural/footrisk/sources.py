"""The published sources of the foot-risk rules, named once."""

from sural.evidence.citation import Citation, Mark

NICE = "NICE guideline NG19, Diabetic foot problems (2015, updated October 2019)"
NICE_PAD = "NICE guideline CG147, Peripheral arterial disease"
IWGDF = "IWGDF guideline on the prevention of foot ulcers (2023 update)"
IWGDF_2007 = "IWGDF consensus, addendum on the monofilament and tuning fork (2007)"
IWGDF_PAD = "IWGDF/ESVS/SVS guideline on peripheral artery disease (2023)"
IWGDF_INFECTION = "IWGDF/IDSA guideline on diabetes-related foot infection (2023)"
SCOTLAND = "Scottish Diabetes Foot Action Group, risk stratification chart (2016 update)"
RAYMAN = "Rayman et al., Diabetes Care 2011;34:1517"
VPT_STUDY = "Int Wound J 2021 (PMC7950904)"
CRAWFORD = "Crawford et al., PODUS individual participant meta-analysis (2015)"
PODUS = "Chappell et al., BMJ Open Diabetes Res Care 2021;9:e002150"
GVG = "Global Vascular Guidelines on chronic limb-threatening ischaemia (2019, PMC8365864)"
WIFI = "Mills et al., SVS WIfI classification, J Vasc Surg 2014;59:220"
SINBAD = "Ince et al., SINBAD, 2008; table in World J Diabetes 2022;13:1049"
TEXAS = "Armstrong et al., University of Texas classification, 1998; table in World J Diabetes 2022;13:1049"
PROJECT = Citation("Sural", "", Mark.PROJECT)


def seen(source: str, clause: str = "") -> Citation:
    """A rule whose published source was seen."""
    return Citation(source, clause, Mark.SEEN)


def memory(source: str, clause: str = "") -> Citation:
    """A rule that is remembered; no source could be opened."""
    return Citation(source, clause, Mark.MEMORY)


def project(clause: str) -> Citation:
    """A choice of this project where the guidelines are silent."""
    return Citation("Sural, docs/decisions", clause, Mark.PROJECT)
