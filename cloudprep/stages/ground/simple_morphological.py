"""Ground by openings with growing disks and a threshold that follows the slope."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, ClassVar

import numpy as np

from cloudprep.kernels.simple_morphological import TerrainSurface, terrain_surface
from cloudprep.stages.base import ClassCodes, Points, StageParams, parameter
from cloudprep.stages.ground._labels import Returns, keep_classes_parameter, returns_parameter
from cloudprep.stages.ground._lowest import CELL_DERIVED, CellRaster, raster_of
from cloudprep.stages.ground._on_lowest import OnLowestHeights

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from cloudprep.kernels.cell_summary import CellGrid
    from cloudprep.model.figures import Figure
    from cloudprep.model.site import SiteFacts

_PINGEL = "Pingel et al. 2013"
_SINGLE_SET = _PINGEL + ", the one set for all samples of the ISPRS filter test"

# Gaps of up to this many point spacings to either side are bridged; what is wider is outside the data.
_GAP_SPACINGS = 3.0


class SimpleMorphologicalParams(StageParams):
    """Parameters of :class:`SimpleMorphological`."""

    cell: float | None = parameter(
        None,
        unit="m",
        gt=0,
        meaning="side of the cells of which only the lowest point makes the surface",
        derived=CELL_DERIVED,
        source=_SINGLE_SET + ": 1 m",
    )
    largest_radius: float = parameter(
        18.0,
        unit="m",
        gt=0,
        meaning="radius of the largest disk; about half the shorter side of the largest building, or more",
        source=_SINGLE_SET,
    )
    slope: float = parameter(
        0.15,
        gt=0,
        le=10,
        meaning="slope threshold, rise over run: a disk may cut off this times its radius before the cell is "
        "an object",
        source=_SINGLE_SET,
    )
    threshold: float = parameter(
        0.5,
        unit="m",
        gt=0,
        meaning="distance from the terrain, up or down, at which a point is ground on level terrain",
        source=_SINGLE_SET,
    )
    slope_factor: float = parameter(
        1.25,
        ge=0,
        le=100,
        meaning="how much the threshold grows, m, where the terrain's slope is 1 (45 degrees)",
        source=_SINGLE_SET,
    )
    low_slope: float = parameter(
        5.0,
        gt=0,
        le=1000,
        meaning="cells below their neighbours by more than this slope, rise over run, are low outliers",
        source=_PINGEL + ", 500 %, from memory",
    )
    keep_classes: ClassCodes = keep_classes_parameter()
    returns: Returns = returns_parameter()


@dataclass(frozen=True)
class _Ground:
    """Where the raster lies, and its heights (from a base level) and slopes."""

    raster: CellRaster
    terrain: TerrainSurface


class SimpleMorphological(OnLowestHeights):
    """Ground classification by the simple morphological filter.

    The lowest points of the cells of one lattice form a surface whose holes are spanned by a membrane. Cells
    below their neighbours by more than ``low_slope`` are taken out. The surface is opened with disks of 1, 2,
    3 ... cells up to ``largest_radius``; a cell that one opening lowers by more than ``slope`` times the
    disk's radius holds an object. A membrane across the other cells is the terrain. A point is ground (class
    2) if it lies no farther from the terrain, up or down, than ``threshold + slope_factor * s``, with s the
    terrain's slope (rise over run) there. Lengths are in metres.

    Labels follow as for ``progressive_ground``: a point on the terrain becomes ground whatever class it had,
    unless ``keep_classes`` names the class. Points that are not ground become class 1 if they were 0, 1 or 2,
    and keep any other class. Noise (7, 18), withheld points and ``keep_classes`` are neither used nor
    changed; returns before the last are not used and never ground.

    What differs from the paper: openings take no notice of what lies outside the data, the terrain is read
    between cell centres by bilinear instead of spline interpolation, and the paper's optional cutting of the
    surface by a net of lines, for very large buildings, is left out. The paper was not at hand: its steps are
    from memory and from works that quote it.

    Known weak points, as measured on made-up scenes of 2 points a square metre: sharp crests are cut off (of
    the 6 m around a ridge with slopes of 0.7 on both sides, 3 to 11 % stay ground); roofs wider than
    ``2 * largest_radius`` on both sides stay (of a flat roof of 50 x 40 m, 85 to 88 %). Whatever stands less
    than the threshold above the ground is taken for ground, and on slopes the threshold grows: at 45 degrees
    it is 1.75 m.

    References
    ----------
    T. J. Pingel, K. C. Clarke, W. A. McBride, "An improved simple morphological filter for the terrain
    classification of airborne LIDAR data", ISPRS Journal of Photogrammetry and Remote Sensing 77, 21-30,
    2013.
    """

    name: ClassVar[str] = "simple_morphological"
    reports: ClassVar[tuple[Figure, ...]] = ()
    Params: ClassVar[type[StageParams]] = SimpleMorphologicalParams
    params: SimpleMorphologicalParams
    references: ClassVar[tuple[str, ...]] = (
        (
            "T. J. Pingel, K. C. Clarke, W. A. McBride, An improved simple morphological filter for the "
            "terrain classification of airborne LIDAR data, ISPRS Journal of Photogrammetry and Remote "
            "Sensing 77, 2013"
        ),
    )

    def surface(self, lowest: CellGrid, site: SiteFacts) -> _Ground:
        """Return the terrain that the openings leave."""
        p = self.params
        assert p.cell is not None  # noqa: S101 - a resolved stage
        raster, heights = raster_of(lowest, site, p.cell)
        terrain = terrain_surface(
            heights,
            cell=p.cell,
            gap=max(2, math.ceil(_GAP_SPACINGS * site.spacing / p.cell)),
            slope=p.slope,
            radius=p.largest_radius,
            low_slope=p.low_slope,
        )
        return _Ground(raster, terrain)

    def on_ground(self, points: Points, ground: _Ground) -> NDArray[np.bool_]:
        """Return which points lie within the threshold of the terrain."""
        away = np.abs(points["z"] - ground.raster.level - ground.raster.at(ground.terrain.height, points))
        slope = ground.raster.at(ground.terrain.slope, points)
        return np.asarray(away <= self.params.threshold + self.params.slope_factor * slope)
