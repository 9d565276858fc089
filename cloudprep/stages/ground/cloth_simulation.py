"""Ground by a cloth that falls onto the cloud turned upside down."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, ClassVar

import numpy as np

from cloudprep.kernels.cell_summary import round_cell
from cloudprep.kernels.cloth import draped
from cloudprep.kernels.fill import covered
from cloudprep.kernels.interpolation_fill import smooth_fill
from cloudprep.kernels.steepness import steepness
from cloudprep.stages.base import ClassCodes, Points, StageParams, parameter
from cloudprep.stages.ground._labels import Returns, keep_classes_parameter, returns_parameter
from cloudprep.stages.ground._lowest import CellRaster, raster_of
from cloudprep.stages.ground._on_lowest import OnLowestHeights

if TYPE_CHECKING:
    from collections.abc import Mapping
    from typing import Any

    from numpy.typing import NDArray

    from cloudprep.kernels.cell_summary import CellGrid
    from cloudprep.model.figures import Figure
    from cloudprep.model.site import SiteFacts

_ZHANG = "Zhang et al. 2016"

# Gaps of up to this many point spacings to either side are bridged; what is wider is outside the data.
_GAP_SPACINGS = 3.0

_CELL_PER_SPACING = 0.4
_SMALLEST_DERIVED_CELL = 1.0

# What a cloth sags between its supports, for its length, follows from gravity over the square of the cell.
_GRAVITY_PER_SQUARE = 0.025


class ClothSimulationParams(StageParams):
    """Parameters of :class:`ClothSimulation`."""

    cell: float | None = parameter(
        None,
        unit="m",
        gt=0,
        meaning="distance between the particles of the cloth (the paper's grid resolution)",
        derived="0.4 times the point spacing, rounded up to a size that divides a kilometre; at least 1 m",
        source="measured on reference samples; 0.5 m in " + _ZHANG + ", from memory",
    )
    rigidness: int = parameter(
        2,
        ge=1,
        le=3,
        meaning="how often neighbours draw a particle in one step: 1 for steep ground, 2 for relief, 3 for "
        "flat ground with large buildings",
        source=_ZHANG + ", from memory; 2 is measured on reference samples",
    )
    gravity: float | None = parameter(
        None,
        unit="m/s^2",
        gt=0,
        meaning="acceleration of the particles; less makes a tauter cloth",
        derived="0.025 times the square of 'cell' in metres: so the cloth sags alike whatever the cell",
        source="measured on reference samples",
    )
    time_step: float = parameter(
        0.65,
        unit="s",
        gt=0,
        le=10,
        meaning="time step of the simulation; gravity counts with its square",
        source=_ZHANG + ", from memory",
    )
    most_steps: int = parameter(
        500,
        ge=1,
        le=100_000,
        meaning="steps at most, beyond those that a free fall across the relief takes",
        source=_ZHANG + ", from memory",
    )
    steep_slopes: bool = parameter(
        False,
        meaning="whether the cloth is finally laid down on steep slopes, from particles at rest to their "
        "neighbours",
        source=_ZHANG + ", a choice; the default is measured on reference samples",
    )
    slope_difference: float = parameter(
        0.3,
        unit="m",
        gt=0,
        meaning="there, difference in height between neighbours below which the cloth is laid down",
        source=_ZHANG + ", from memory",
    )
    threshold: float = parameter(
        0.5,
        unit="m",
        gt=0,
        meaning="distance from the cloth, up or down, at which a point is ground",
        source=_ZHANG + ", from memory",
    )
    keep_classes: ClassCodes = keep_classes_parameter()
    returns: Returns = returns_parameter()


@dataclass(frozen=True)
class _Ground:
    """Where the raster lies, and the cloth's heights (from a base level) and slopes."""

    raster: CellRaster
    height: NDArray[np.float32]
    slope: NDArray[np.float32]


class ClothSimulation(OnLowestHeights):
    """Ground classification by cloth simulation.

    The cloud is turned upside down and a cloth falls onto it: one particle a cell of the lattice, which comes
    to rest where it reaches the lowest point of its cell (upside down the highest). Each step, the particles
    in the air fall on by what they fell in the step before and by ``gravity * time_step^2`` (Verlet's rule);
    those that reach the cloud rest there for good; then neighbours draw the others to their height,
    ``rigidness`` times half of the difference that is left. It ends when nothing moves any more. With
    ``steep_slopes`` particles in the air are then laid down beside resting ones, and beside those, where the
    ground of the two differs by less than ``slope_difference``. A point is ground (class 2) if its distance d
    from the cloth, square to it, is at most ``threshold``; from the vertical distance v,
    d = v / sqrt(1 + s^2), with s the cloth's slope (rise over run) there. Lengths are in metres.

    Labels follow as for ``progressive_ground``: a point on the cloth becomes ground whatever class it had,
    unless ``keep_classes`` names the class. Points that are not ground become class 1 if they were 0, 1 or 2,
    and keep any other class. Noise (7, 18), withheld points and ``keep_classes`` are neither used nor
    changed; returns before the last are not used and never ground.

    What differs from the paper: a particle rests on the lowest point of its cell, or on a membrane across the
    cells without points, instead of on the point nearest in plan; neighbours draw a particle together, to
    their mean, and all particles at once, so that no order counts; the cloth has no particles outside the
    data; and the steps of a free fall across the site's relief are given on top of ``most_steps``. The paper
    was not at hand: its steps and figures are from memory and from works that quote it, and of its gravity
    only the place in the formula is known.

    Cell, gravity, rigidness and ``steep_slopes`` were chosen on samples 11, 21, 42 and 53 of the ISPRS filter
    test: there 8.5 % mean total error and 70.6 % kappa, and 5.7 % and 86.4 % on the four held out (12, 31,
    51, 54) after the noise stages of ``bare_earth``; 14.9 % and 68.1 % without them.

    Known weak points, as measured: low outliers must be labelled noise before, for each holds the cloth off
    the ground around it (sample 54 has 25.7 % total error with them and 8.1 % without; a dozen of them 8 m
    down on a made-up site of 80 x 80 m cost 8 to 12 % of its ground). The cloth keeps its speed, so relief
    anywhere on the site drives it onto wide roofs: of one of 20 x 16 m, 6 m high, on nearly level ground
    nothing is taken for ground, but 43 to 50 % with a pit of 20 m on the site; of one of 30 x 24 m 27 %
    without any pit. Of the 10 m behind the edge of a cliff of 8 m, 7 to 9 % are found; ``steep_slopes`` finds
    them, but takes objects: on the four samples it raises the total error to 14.7 %. Steep slopes with
    houses and bushes (sample 11, 17.1 %) are its worst ground. A million cells take about 3 s.

    References
    ----------
    W. Zhang, J. Qi, P. Wan, H. Wang, D. Xie, X. Wang, G. Yan, "An easy-to-use airborne LiDAR data filtering
    method based on cloth simulation", Remote Sensing 8(6), 501, 2016.
    """

    name: ClassVar[str] = "cloth_simulation"
    reports: ClassVar[tuple[Figure, ...]] = ()
    Params: ClassVar[type[StageParams]] = ClothSimulationParams
    params: ClothSimulationParams
    references: ClassVar[tuple[str, ...]] = (
        (
            "W. Zhang, J. Qi, P. Wan, H. Wang, D. Xie, X. Wang, G. Yan, An easy-to-use airborne LiDAR data "
            "filtering method based on cloth simulation, Remote Sensing 8(6), 501, 2016"
        ),
    )

    def derive(self, site: SiteFacts) -> tuple[Mapping[str, Any], Mapping[str, str]]:
        """Return the cell size for the site's point spacing, and the gravity for the cell."""
        values: dict[str, Any] = {}
        reasons: dict[str, str] = {}
        cell = self.params.cell
        if cell is None:
            cell = round_cell(max(_SMALLEST_DERIVED_CELL, _CELL_PER_SPACING * site.spacing))
            values["cell"] = cell
            reasons["cell"] = (
                f"{_CELL_PER_SPACING} times the point spacing of {site.spacing:.2f} m, rounded up, at least "
                f"{_SMALLEST_DERIVED_CELL:g} m"
            )
        if self.params.gravity is None:
            values["gravity"] = _GRAVITY_PER_SQUARE * cell**2
            reasons["gravity"] = (
                f"{_GRAVITY_PER_SQUARE} times the square of the cell of {cell:g} m, so that the cloth sags "
                "alike whatever the cell"
            )
        return values, reasons

    def surface(self, lowest: CellGrid, site: SiteFacts) -> _Ground:
        """Return the cloth that fell onto the site's lowest heights turned upside down."""
        p = self.params
        assert p.cell is not None and p.gravity is not None  # noqa: S101, PT018 - a resolved stage
        raster, heights = raster_of(lowest, site, p.cell)
        inside = covered(~np.isnan(heights), max(2, math.ceil(_GAP_SPACINGS * site.spacing / p.cell)))
        spanned = np.where(inside, smooth_fill(heights.astype(np.float64), math.inf), np.nan)
        cloth = -draped(
            -spanned.astype(np.float32),
            rigidness=p.rigidness,
            pull=p.gravity * p.time_step**2,
            steps=p.most_steps,
            slope_step=p.slope_difference if p.steep_slopes else None,
        )
        slope = steepness(smooth_fill(cloth.astype(np.float64), math.inf), p.cell)
        return _Ground(raster, cloth, slope.astype(np.float32))

    def on_ground(self, points: Points, ground: _Ground) -> NDArray[np.bool_]:
        """Return which points lie within the threshold of the cloth."""
        above = points["z"] - ground.raster.level - ground.raster.at(ground.height, points)
        slope = ground.raster.at(ground.slope, points)
        return np.asarray(np.abs(above) <= self.params.threshold * np.sqrt(1 + slope**2))
