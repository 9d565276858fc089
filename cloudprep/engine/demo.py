"""The demo: an invented quarry, its two flights through the main job, and how near the truth that comes."""

from __future__ import annotations

import importlib.util
import shutil
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from cloudprep.config import load_pipeline
from cloudprep.engine.run import RunRequest, run_site
from cloudprep.engine.score import Score, score_clouds
from cloudprep.errors import OutputError, UsageError
from cloudprep.io.atomic import make_folder, plain_reason, whole_file

if TYPE_CHECKING:
    from types import ModuleType

    from cloudprep.engine.progress import ProgressSink
    from cloudprep.engine.run import RunOutcome

__all__ = ["DemoOutcome", "TerrainError", "demo_folder", "run_demo"]

PIPELINE = "bare_earth"
_PACKAGE = "demo_clouds"


@dataclass(frozen=True)
class TerrainError:
    """How far the terrain model lies from the true ground.

    Parameters
    ----------
    cells : int
        Cells that were compared: those with a height, water aside.
    median : float
        Middle of the differences (model minus truth), m.
    rmse : float
        Root of their mean square, m.
    share_within : float
        Share of the cells that lie within ``within`` of the truth.
    within : float
        m.
    """

    cells: int
    median: float
    rmse: float
    share_within: float
    within: float


@dataclass(frozen=True)
class DemoOutcome:
    """What came of the demo.

    Parameters
    ----------
    run : RunOutcome
        The run itself.
    scores : dict of str to Score
        How well ground was found, by flight.
    terrain : TerrainError or None
        How near the terrain model comes to the truth.
    folder : Path
        Where everything lies.
    result : Path
        Folder of the run.
    """

    run: RunOutcome
    scores: dict[str, Score]
    terrain: TerrainError | None
    folder: Path
    result: Path

    def as_dict(self) -> dict[str, Any]:
        """Return plain values, for machines."""
        terrain = self.terrain
        return {
            "schema_version": 1,
            "folder": str(self.folder),
            "run": self.run.record,
            "scores": {name: score.as_dict() for name, score in self.scores.items()},
            "terrain": None if terrain is None else terrain.__dict__,
        }


def run_demo(folder: Path, progress: ProgressSink) -> DemoOutcome:
    """Put the demo site into a folder, run the main job on it and compare the result with the truth.

    Parameters
    ----------
    folder : Path
        ``flights``, ``truth`` and ``result`` come below it. An earlier demo there is replaced.
    progress : ProgressSink
        Told what happens.

    Returns
    -------
    DemoOutcome
        The run, the scores, and where to look.

    Raises
    ------
    UsageError
        If files of other content stand in the way, or the installation lacks the demo site.
    OutputError
        If the folder can't be written.
    """
    site = _demo_package()
    flights, truths = _lay_out(site, folder, progress)
    result = folder / "result"
    request = RunRequest(
        pipeline=load_pipeline(PIPELINE),
        inputs=tuple(str(path) for path in flights),
        out=result,
        overwrite=True,
    )
    outcome = run_site(request, progress)
    scores: dict[str, Score] = {}
    for flight, truth in zip(flights, truths, strict=True):
        classified = result / "clouds" / flight.name
        if classified.exists():
            scores[flight.name] = score_clouds(classified, truth)
    model = result / "terrain" / "dtm.tif"
    terrain = _terrain_error(site, model) if model.exists() else None
    return DemoOutcome(outcome, scores, terrain, folder, result)


def demo_folder() -> Path:
    """Return the folder of the demo site as it is shipped: ``flights``, ``twin`` and ``truth`` lie below it.

    Raises
    ------
    UsageError
        If the installation lacks it.
    """
    folder: Path = _part(_demo_package(), "place").FOLDER
    return folder


def _demo_package() -> ModuleType:
    """Return the demo's package: inside the installed package, or beside it in a checkout."""
    package = Path(__file__).resolve().parents[1]
    for folder in (package / _PACKAGE, package.parent / _PACKAGE):
        start = folder / "__init__.py"
        if start.is_file():
            name = f"cloudprep.{_PACKAGE}"
            if name in sys.modules:
                return sys.modules[name]
            spec = importlib.util.spec_from_file_location(
                name, start, submodule_search_locations=[str(folder)]
            )
            if spec is not None and spec.loader is not None:
                module = importlib.util.module_from_spec(spec)
                sys.modules[name] = module
                spec.loader.exec_module(module)
                return module
    raise UsageError("this installation of cloudprep lacks the demo site; install it again")


def _part(site: ModuleType, name: str) -> Any:
    return importlib.import_module(f"{site.__name__}.{name}")


def _lay_out(site: ModuleType, folder: Path, progress: ProgressSink) -> tuple[list[Path], list[Path]]:
    """Copy the shipped site into a folder (or make it anew where it isn't shipped)."""
    sources = sorted((demo_folder() / "flights").glob("*.laz"))
    truth_of = _part(site, "truth").truth_of
    if not sources or not all(truth_of(s).is_file() for s in sources):
        progress.note(f"making the demo site in {folder}")
        make_folder(folder)
        _part(site, "generate").generate_site(folder)
        sources = sorted((folder / "flights").glob("*.laz"))
        return sources, [truth_of(s) for s in sources]
    placed = [folder / "flights" / s.name for s in sources]
    truths = [truth_of(p) for p in placed]
    for source, target in zip([*sources, *map(truth_of, sources)], [*placed, *truths], strict=True):
        _copy(source, target)
    return placed, truths


def _copy(source: Path, target: Path) -> None:
    make_folder(target.parent)
    try:
        content = source.read_bytes()
        if target.exists():
            if target.read_bytes() != content:
                raise UsageError(f"{target}: is there and isn't the demo's; choose another folder with --out")
            return
    except OSError as error:
        raise OutputError(f"{target}: can't be copied: {plain_reason(error)}") from error
    with whole_file(target) as part:
        shutil.copyfile(source, part)


def _terrain_error(site: ModuleType, model: Path, within: float = 0.1) -> TerrainError | None:
    import rasterio  # noqa: PLC0415 - heavy, and only the demo's end needs it

    with rasterio.open(model) as raster:
        heights = raster.read(1, masked=True)
        rows, columns = np.nonzero(~np.ma.getmaskarray(heights))
        place = raster.transform
    truth = _part(site, "truth")
    east, north = place.c + place.a * (columns + 0.5), place.f + place.e * (rows + 0.5)
    dry = ~truth.is_water(east, north)
    if not dry.any():
        return None
    difference = np.asarray(heights[rows, columns], np.float64)[dry] - truth.true_ground(
        east[dry], north[dry]
    )
    return TerrainError(
        cells=len(difference),
        median=float(np.median(difference)),
        rmse=float(np.sqrt(np.mean(difference**2))),
        share_within=float(np.mean(np.abs(difference) <= within)),
        within=within,
    )
