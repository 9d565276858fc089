"""The relief in light."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

import numpy as np

from cloudprep.kernels.relief import light_of, shades
from cloudprep.stages.base import Solution, StageParams, parameter
from cloudprep.stages.relief._heights import Of, OfHeights, of_parameter

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from cloudprep.model.site import SiteFacts

_MANY = (225.0, 270.0, 315.0, 360.0)
_STRIP = 512


class HillshadeParams(StageParams):
    """Parameters of :class:`Hillshade`."""

    of: Of = of_parameter()
    lights: Literal["one", "many"] = parameter(
        "one",
        meaning="one: a single light; many: lights from 225, 270, 315 and 360 degrees, each weighed by how "
        "far the slope faces to its side",
        source="Mark 1992, USGS Open-File Report 92-422, from memory",
    )
    azimuth: float = parameter(
        315.0,
        ge=0,
        le=360,
        unit="degrees",
        meaning="one light: where it comes from, clockwise from north",
        source="common practice, no source: lit from below, people see hills as pits",
    )
    altitude: float | None = parameter(
        None,
        gt=0,
        le=90,
        unit="degrees",
        meaning="height of the lights above the horizon",
        derived="45 degrees for one light, 30 for many",
        source="common practice, no source; 30: Mark 1992, from memory",
    )
    exaggeration: float = parameter(
        1.0, gt=0, le=100, meaning="factor on heights; more than 1 shows more of flat land"
    )


class Hillshade(OfHeights):
    """Turn heights into a raster of how bright each cell is in parallel light (``dtm_hillshade``).

    Values are 1 (dark) to 255 (facing the light); 0 is nothing. Nothing casts a shadow on anything else.
    """

    name = "hillshade"
    Params = HillshadeParams
    grids = ("dtm_hillshade", "dsm_hillshade")
    references = (
        "Horn 1981, Hill shading and the reflectance map, Proc. IEEE 69:14-47",
        "Mark 1992, A multidirectional, oblique-weighted, shaded-relief image, USGS Open-File Report 92-422",
    )
    bytes_per_cell = 6

    params: HillshadeParams

    def derive(self, site: SiteFacts) -> tuple[dict[str, float], dict[str, str]]:
        """Return the height of the lights."""
        del site
        if self.params.altitude is not None:
            return {}, {}
        one = self.params.lights == "one"
        return {"altitude": 45.0 if one else 30.0}, {
            "altitude": "usual for a single light" if one else "as the method of many lights has it"
        }

    def from_rasters(self, site: SiteFacts) -> Solution:
        """Return the brightness."""
        del site
        p = self.params
        assert p.altitude is not None  # noqa: S101 - resolved
        many = p.lights == "many"
        lights = [light_of(a, p.altitude) for a in (_MANY if many else (p.azimuth,))]
        source = self.source()
        light = shades(
            source.values,
            source.window.lattice.cell,
            lights,
            oblique=many,
            exaggeration=p.exaggeration,
            threads=self.threads,
        )
        sides = "many sides" if many else f"{p.azimuth:g} degrees"
        meaning = f"brightness in light from {sides}"
        return Solution(None, (self.made(_as_bytes(light), meaning, ""),))


def _as_bytes(light: NDArray[np.float32]) -> NDArray[np.uint8]:
    out = np.empty(light.shape, np.uint8)
    for first in range(0, len(light), _STRIP):
        lines = light[first : first + _STRIP]
        known = ~np.isnan(lines)
        out[first : first + _STRIP] = np.where(known, np.clip(np.rint(np.where(known, lines, 0)), 1, 255), 0)
    return out
