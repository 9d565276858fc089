"""Run ground stages on clouds whose truth is known, and count."""

from __future__ import annotations

import math
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

import laspy
import numpy as np

from cloudprep.config import load_pipeline
from cloudprep.kernels.agreement import Confusion, confusion
from cloudprep.stages.registry import stage_class, stage_names
from cloudprep.testing import run_stage

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import NDArray

    from cloudprep.stages.base import Stage

# The demo clouds stand beside the package in a checkout; an installed package comes first.
sys.path.append(str(Path(__file__).parents[1]))

PIPELINE = "bare_earth"
GROUND = 2
SEED = 7
"""Seed of the scenes that are reported. Whoever tunes a stage on scenes takes other seeds."""
_STEEPEST = 1.5
_SCENE_ORIGIN = (412_000.0, 5_654_000.0)


class Cloud(NamedTuple):
    """Columns in local metres, the origin they were taken from, and the truth; of scenes more."""

    columns: dict[str, NDArray[Any]]
    origin: tuple[float, float]
    reference: NDArray[np.bool_]
    terrain: Callable[[NDArray[np.float64], NDArray[np.float64]], NDArray[np.float64]] | None = None
    kind: NDArray[np.uint8] | None = None


class Score(NamedTuple):
    """Labels against the truth, which points are labelled ground, and the terrain's error.

    The error is in metres, NaN where no terrain is known or none could be made.
    """

    counts: Confusion
    found: NDArray[np.bool_]
    rmse: float = math.nan
    warnings: tuple[str, ...] = ()


class Condition(NamedTuple):
    """How a cloud is laid on the lattice: turned (degrees) about its middle, then shifted (m)."""

    turn: float = 0.0
    shift: tuple[float, float] = (0.0, 0.0)


def read_sample(path: Path) -> Cloud:
    """Read a reference sample: ``reference_class`` 2 is ground."""
    cloud = laspy.read(path)
    origin = tuple(float(np.floor(v / 1000) * 1000) for v in cloud.header.mins[:2])
    columns: dict[str, NDArray[Any]] = {
        "x": np.asarray(cloud.x) - origin[0],
        "y": np.asarray(cloud.y) - origin[1],
        "z": np.asarray(cloud.z).astype(float),
        "classification": np.zeros(len(cloud), np.uint8),
        "withheld": np.zeros(len(cloud), bool),
        "return_number": np.asarray(cloud.return_number).astype(np.uint8),
        "number_of_returns": np.asarray(cloud.number_of_returns).astype(np.uint8),
    }
    return Cloud(columns, (origin[0], origin[1]), np.asarray(cloud["reference_class"]) == GROUND)


def make_scene(name: str, seed: int = SEED) -> Cloud:
    """Make one of the demo scenes."""
    from demo_clouds.scenes import scene  # noqa: PLC0415 - found on the path that is set above

    made = scene(name, seed)
    return Cloud(made.columns(), _SCENE_ORIGIN, made.ground, made.terrain, made.kind)


def laid(cloud: Cloud, condition: Condition) -> Cloud:
    """Return a cloud turned and shifted."""
    if condition == Condition():
        return cloud
    angle = np.radians(condition.turn)
    c, s = float(np.cos(angle)), float(np.sin(angle))
    x, y = cloud.columns["x"], cloud.columns["y"]
    mx, my = (float(v.min() + v.max()) / 2 for v in (x, y))
    dx, dy = condition.shift
    columns = dict(cloud.columns)
    columns["x"] = mx + c * (x - mx) - s * (y - my) + dx
    columns["y"] = my + s * (x - mx) + c * (y - my) + dy
    terrain = cloud.terrain
    if terrain is None:
        return cloud._replace(columns=columns)

    def turned(x: NDArray[np.float64], y: NDArray[np.float64]) -> NDArray[np.float64]:
        u, v = x - mx - dx, y - my - dy
        return terrain(mx + c * u + s * v, my + c * v - s * u)

    return cloud._replace(columns=columns, terrain=turned)


def thinned(cloud: Cloud, times: float, seed: int = 1) -> Cloud:
    """Return a cloud of which one point in so many is kept, drawn at random."""
    keep = np.random.default_rng(seed).random(len(cloud.reference)) < 1.0 / times
    columns = {name: values[keep] for name, values in cloud.columns.items()}
    kind = None if cloud.kind is None else cloud.kind[keep]
    return cloud._replace(columns=columns, reference=cloud.reference[keep], kind=kind)


def ground_stages() -> list[str]:
    """Return the names of all registered ground stages."""
    return [name for name in stage_names() if stage_class(name).kind == "ground"]


def default_stage() -> str:
    """Return the name of the ground stage that the ready pipeline uses."""
    return next(stage.name for stage in load_pipeline(PIPELINE).build() if stage.kind == "ground")


def score(cloud: Cloud, names: Sequence[str], *, alone: bool = False) -> dict[str, Score]:
    """Run the labelling stages of the ready pipeline on a cloud, once with each of some ground stages.

    Parameters
    ----------
    cloud : Cloud
        The cloud.
    names : sequence of str
        Ground stages; that of the pipeline keeps the pipeline's parameters, others have their defaults.
    alone : bool
        Leave out the stages before the ground stage.

    Returns
    -------
    dict of str to Score
        By stage.
    """
    stages = load_pipeline(PIPELINE).build()
    place = next(k for k, stage in enumerate(stages) if stage.kind == "ground")
    prepared = dict(cloud.columns)
    for stage in [] if alone else stages[:place]:
        prepared.update(run_stage(stage, prepared, origin=cloud.origin).labels)
    scores = {}
    for name in names:
        ground = stages[place] if name == stages[place].name else stage_class(name)()
        run = run_stage(ground, prepared, origin=cloud.origin)
        columns = {**prepared, **run.labels}
        found = columns["classification"] == GROUND
        rmse = terrain_error(cloud, columns, stages[-1])
        scores[name] = Score(confusion(found, cloud.reference), found, rmse, tuple(run.result.warnings))
    return scores


def terrain_error(cloud: Cloud, columns: dict[str, NDArray[Any]], gridding: Stage) -> float:
    """Return the root mean square error of the terrain model at cell centres, m.

    Cells in which the true ground is steeper than 1.5 (faces and walls, where the place decides and not the
    height) are left out, and so are empty ones.
    """
    if cloud.terrain is None or np.count_nonzero(columns["classification"] == GROUND) < 3:
        return math.nan
    grids = run_stage(gridding, columns, origin=cloud.origin).result.grids
    grid = next(g for g in grids if g.name == "dtm")
    window, cell = grid.window, grid.window.lattice.cell
    rows, columns_ = np.nonzero(np.isfinite(grid.values))
    x, y = window.left + (columns_ + 0.5) * cell, window.bottom + (rows + 0.5) * cell
    at = cloud.terrain
    rise = np.hypot(at(x + cell, y) - at(x - cell, y), at(x, y + cell) - at(x, y - cell)) / (2 * cell)
    error = (grid.values[rows, columns_] - at(x, y))[rise <= _STEEPEST]
    return float(np.sqrt(np.mean(error**2))) if len(error) else math.nan
