"""Body sites of the examination and the sides they lie on."""

from typing import Literal

from msgspec import Struct

Side = Literal["left", "right"]
SIDES: tuple[Side, Side] = ("left", "right")
BILATERAL = "bilateral"
PERSON = "person"


class Site(Struct, frozen=True):
    """A named site: its region (foot, ankle, leg, arm, artery), the sites around it from near to far, and what lies there.

    `plantar` sites are where a 10 g monofilament is applied; `ulcer_site` is the third of the foot an ulcer there belongs to.
    """

    code: str
    display: str
    region: str
    within: tuple[str, ...] = ()
    plantar: bool = False
    ulcer_site: str | None = None

    def lies_in(self, area: str) -> bool:
        """Whether the site is in a region or within a larger site of that name."""
        if area == self.code or area in self.within:
            return True
        return area in _REGIONS.get(self.region, ())


_REGIONS = {"foot": ("foot", "leg"), "ankle": ("ankle", "leg"), "leg": ("leg",), "arm": ("arm",), "artery": ()}
