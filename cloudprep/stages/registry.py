"""Which stages exist. A new built-in stage is one line here; third parties use an entry point."""

from __future__ import annotations

import difflib
import importlib
import warnings
from functools import cache
from importlib.metadata import entry_points
from typing import TYPE_CHECKING

from cloudprep import __version__
from cloudprep.errors import UsageError

if TYPE_CHECKING:
    from cloudprep.stages.base import Stage

ENTRY_POINT_GROUP = "cloudprep.stages"

# Name in YAML -> where the class lives. Text, so that listing the names imports no kernels.
BUILT_IN: dict[str, str] = {
    "statistical_outliers": "cloudprep.stages.noise.statistical_outliers:StatisticalOutliers",
    "local_shape": "cloudprep.stages.noise.local_shape:LocalShape",
    "isolated_clusters": "cloudprep.stages.noise.isolated_clusters:IsolatedClusters",
    "buried_points": "cloudprep.stages.noise.buried_points:BuriedPoints",
    "low_points": "cloudprep.stages.noise.low_points:LowPoints",
    "edge_smear": "cloudprep.stages.noise.edge_smear:EdgeSmear",
    "contradicted_points": "cloudprep.stages.noise.contradicted_points:ContradictedPoints",
    "faint_clouds": "cloudprep.stages.noise.faint_clouds:FaintClouds",
    "fitted_ground": "cloudprep.stages.ground.fitted_ground:FittedGround",
    "progressive_ground": "cloudprep.stages.ground.progressive_ground:ProgressiveGround",
    "simple_morphological": "cloudprep.stages.ground.simple_morphological:SimpleMorphological",
    "tin_densification": "cloudprep.stages.ground.tin_densification:TinDensification",
    "cloth_simulation": "cloudprep.stages.ground.cloth_simulation:ClothSimulation",
    "return_numbers": "cloudprep.stages.capture.return_numbers:ReturnNumbers",
    "gps_times": "cloudprep.stages.capture.gps_times:GpsTimes",
    "repeated_points": "cloudprep.stages.capture.repeated_points:RepeatedPoints",
    "flight_overlaps": "cloudprep.stages.capture.flight_overlaps:FlightOverlaps",
    "terrain_grid": "cloudprep.stages.surface.terrain_grid:TerrainGrid",
    "slope": "cloudprep.stages.relief.slope:Slope",
    "aspect": "cloudprep.stages.relief.aspect:Aspect",
    "hillshade": "cloudprep.stages.relief.hillshade:Hillshade",
    "surface_height": "cloudprep.stages.above_ground.surface_height:SurfaceHeight",
    "height_above_ground": "cloudprep.stages.above_ground.height_above_ground:HeightAboveGround",
    "height_classes": "cloudprep.stages.above_ground.height_classes:HeightClasses",
    "water_points": "cloudprep.stages.water.water_points:WaterPoints",
    "find_water": "cloudprep.stages.water.find_water:FindWater",
    "flat_water": "cloudprep.stages.water.flat_water:FlatWater",
    "surface_grid": "cloudprep.stages.surface.surface_grid:SurfaceGrid",
    "intensity_grid": "cloudprep.stages.surface.intensity_grid:IntensityGrid",
    "density_grids": "cloudprep.stages.surface.density_grids:DensityGrids",
    "fill_voids": "cloudprep.stages.relief.fill_voids:FillVoids",
    "report_voids": "cloudprep.stages.surface.report_voids:ReportVoids",
    "terrain_error": "cloudprep.stages.surface.terrain_error:TerrainError",
    "contours": "cloudprep.stages.lines.contours:Contours",
    "spot_heights": "cloudprep.stages.lines.spot_heights:SpotHeights",
    "find_breaklines": "cloudprep.stages.lines.find_breaklines:FindBreaklines",
    "terrain_tin": "cloudprep.stages.lines.terrain_tin:TerrainTin",
}


@cache
def _locations() -> dict[str, str]:
    """Return name -> ``module:Class``, built-in ones first; a duplicate name warns and is left out."""
    found = dict(BUILT_IN)
    for point in entry_points(group=ENTRY_POINT_GROUP):
        if point.name in found:
            warnings.warn(
                f"stage '{point.name}' of {point.value} is left out: the name is taken", stacklevel=2
            )
            continue
        found[point.name] = point.value
    return found


def stage_names() -> list[str]:
    """Return the names of all stages, built-in ones first."""
    return list(_locations())


def stage_package(name: str) -> str:
    """Return the package that a stage comes from, with its version; empty where it is registered nowhere."""
    if name in BUILT_IN:
        return f"cloudprep {__version__}"
    for point in entry_points(group=ENTRY_POINT_GROUP):
        if point.name == name:
            return f"{point.dist.name} {point.dist.version}" if point.dist is not None else point.value
    return ""


def stage_class(name: str) -> type[Stage]:
    """Return the class of a stage.

    Raises
    ------
    UsageError
        If there is no such stage (with a suggestion), or it can't be imported.
    """
    location = _locations().get(name)
    if location is None:
        raise UsageError(f"no stage is called '{name}'{did_you_mean(name, stage_names())}")
    module, _, attribute = location.partition(":")
    try:
        found: type[Stage] = getattr(importlib.import_module(module), attribute)
    except (ImportError, AttributeError) as error:
        raise UsageError(f"stage '{name}' can't be loaded from {location}: {error}") from error
    return found


def did_you_mean(word: str, known: list[str]) -> str:
    """Return ``; did you mean 'x'?`` for the closest known word, or all words where none is close.

    >>> did_you_mean("terain_grid", ["terrain_grid", "low_points"])
    "; did you mean 'terrain_grid'?"
    """
    close = difflib.get_close_matches(word, known, n=1)
    return f"; did you mean '{close[0]}'?" if close else f" (there are: {', '.join(sorted(known))})"
