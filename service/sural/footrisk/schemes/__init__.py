"""The schemes, one module each."""

from sural.footrisk.scheme import Scheme
from sural.footrisk.schemes.iwgdf_2023 import IWGDF_2023
from sural.footrisk.schemes.nice_ng19_2019 import IMMEDIATE_CONCERN, NICE_NG19_2019
from sural.footrisk.schemes.scotland_2016 import SCOTLAND_2016

SCHEMES: dict[str, Scheme] = {scheme.id: scheme for scheme in (NICE_NG19_2019, IWGDF_2023, SCOTLAND_2016)}

__all__ = ["IMMEDIATE_CONCERN", "IWGDF_2023", "NICE_NG19_2019", "SCHEMES", "SCOTLAND_2016"]
