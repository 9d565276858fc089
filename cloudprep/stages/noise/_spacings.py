"""Lengths that follow from the point spacing."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from cloudprep.model.site import SiteFacts


def in_spacings(site: SiteFacts, times: float, least: float, most: float) -> tuple[float, str]:
    """Return so many times the site's mean point spacing, within limits, m; and the reason in words."""
    reason = f"{times:g} times the mean point spacing of {site.spacing:.3g} m, at least {least:g} m"
    return min(max(times * site.spacing, least), most), reason
