"""Where a finding lies, put together from its code, the body site, the component and the panel."""

from msgspec import Struct

from sural.terminology.site import BILATERAL, SIDES, Site


class Troubled(Exception):
    """A fault that makes a resource, or one component of it, unusable. `path` is the rest of the FHIRPath within the resource."""

    def __init__(self, key: str, path: str = "") -> None:
        super().__init__(key)
        self.key = key
        self.path = path


class Where(Struct, frozen=True):
    """A side and a site."""

    side: str | None = None
    site: Site | None = None


def together(outer: Where, inner: Where, path: str = "", narrows: bool = False) -> Where:
    """Two statements of the same place. The narrower site wins; two sides or two unrelated sites are a fault.

    With `narrows` the inner one may pick one side out of both.
    """
    if inner.side is None and inner.site is None:
        return outer
    if outer.side and inner.side and outer.side != inner.side and not (narrows and outer.side == BILATERAL):
        raise Troubled("side-conflict", path)
    return Where(inner.side or outer.side, _narrower(outer.site, inner.site, path))


def _narrower(outer: Site | None, inner: Site | None, path: str) -> Site | None:
    if outer is None or inner is None:
        return inner or outer
    if inner.lies_in(outer.code) or not outer.region:
        return inner
    if outer.lies_in(inner.code):
        return outer
    if not inner.region:
        return inner if outer.code in _WHOLE else outer
    raise Troubled("site-conflict", path)


_WHOLE = ("foot", "lower-leg", "lower-limb", "hand", "upper-limb")


def sides(side: str | None) -> tuple[str, ...]:
    """The sides a stated side means: none, one or both."""
    return () if side is None else SIDES if side == BILATERAL else (side,)


def applies(condition: str | None, site: Site | None) -> bool:
    """Whether a target's condition is met: a site or region to lie in, or no site at all."""
    if condition is None:
        return True
    if condition == "no-site":
        return site is None or site.code in ("foot", "lower-limb")
    return site is not None and site.lies_in(condition)
