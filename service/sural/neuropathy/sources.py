"""The published sources of the neuropathy rules, named once, and how far each was checked."""

from sural.evidence.citation import Citation, Mark

TORONTO = "Tesfaye et al., Toronto consensus, Diabetes Care 2010;33:2285"
ENGLAND = "England et al., AAN/AANEM/AAPM&R case definition, Neurology 2005;64:199"
DEVIGILI_2008 = "Devigili et al., Brain 2008;131:1912"
DEVIGILI_2019 = "Devigili et al., Brain 2019;142:3728"
ADA_2005 = "ADA statement on diabetic neuropathies, Diabetes Care 2005;28:956"
ADA_2017 = "ADA position statement on diabetic neuropathy, Diabetes Care 2017;40:136"
VRANCKEN = "Vrancken et al., J Neurol 2006;253:578"
GIBBONS = "Gibbons and Freeman, Brain 2015;138:43"
SPALLONE = "Spallone et al., CAN subcommittee of the Toronto consensus, 2011"
EWING = "Ewing tests, World J Diabetes 2018;9(1) Table 5"
EI_BY_AGE = "World J Diabetes 2015;6(1) Table 1"
FREEMAN = "Freeman et al., consensus on orthostatic hypotension, 2011"
EFNS_2010 = "EFNS/PNS guideline on CIDP 2010 (PMC8108415 Table 2)"
CAMDESSANCHE = "Camdessanche et al., sensory neuronopathy criteria (PMC8629873 Table 3)"
LLEWELYN = "Llewelyn, J Neurol Neurosurg Psychiatry 2003, Tables 3 and 5"
AAN_2009 = "AAN practice parameter on distal symmetric polyneuropathy, 2009"
UK_TESTS = "Medicine 2020 (PMC7382348 Table 3)"
MHRA = "MHRA Drug Safety Update June 2022"
MERCK = "Merck manual professional, subacute combined degeneration"
ICMR = "ICMR guideline on type 1 diabetes, neuropathy chapter"
CMAJ = "CMAJ e227, urgent features of neuropathy"
DUTCH = "Comparison of national guidelines (PMC11625971 Table 3)"
COURSE = "PMC7382348 Table 2, course of neuropathy"
YOUNG_1994 = "Young et al., Diabetes Care 1994;17:557"
PERKINS = "Perkins et al., Diabetes Care 2001;24:250"
SURAL_ELDERLY = "Muscle Nerve 2014;49:564"


def seen(source: str, clause: str = "") -> Citation:
    """A rule whose published source was seen."""
    return Citation(source, clause, Mark.SEEN)


def memory(source: str, clause: str = "") -> Citation:
    """A rule that is remembered; no source could be opened."""
    return Citation(source, clause, Mark.MEMORY)


def practice(clause: str) -> Citation:
    """Common practice, no source."""
    return Citation("", clause, Mark.PRACTICE)


def project(clause: str) -> Citation:
    """A choice of this project where the authors are silent."""
    return Citation("Sural, docs/decisions/0004", clause, Mark.PROJECT)
