"""Sural: foot and lower-limb neurological examinations in, foot risk, neuropathy and referral proposals out, as FHIR R4.

`sural.assess` takes a Bundle and gives one back; `sural.summarise` gives the short form. `sural.assessing` shows the whole flow.
"""

from sural.api import assess, summarise
from sural.canonical import VERSION
from sural.issues import Issue, Refused

__version__ = VERSION

__all__ = ["Issue", "Refused", "__version__", "assess", "summarise"]
