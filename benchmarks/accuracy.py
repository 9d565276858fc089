"""Score every ground stage on reference samples and on made-up scenes, beside published figures.

python benchmarks/accuracy.py [FOLDER] [--stages A,B] [--turns] [--alone] [--jobs N] [--write]

FOLDER holds ``samp*.laz`` with an extra dimension ``reference_class`` (2 ground, 1 object): samples of the
ISPRS filter test (Sithole and Vosselman 2004), or others. By default the environment variable
CLOUDPREP_FILTER_TEST names it; without either only the scenes are scored. ``--write`` puts the figures into
accuracy.md and accuracy.json, to which a test holds the code; figures of stages that weren't measured stay as
they are there. Parameters are the defaults for every cloud.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))

import ground_tables as tables
from ground_scores import Cloud, Condition, Score, ground_stages, laid, make_scene, read_sample, score

from cloudprep.config.measured import main_figures

TABLE = Path(__file__).with_name("accuracy.md")
FIGURES = Path(__file__).with_name("accuracy.json")
IN_WORDS = Path(__file__).parents[1] / "cloudprep" / "config" / "measured.json"
"""The part that the stage reference puts into words."""
TURNS = (0.0, 15.0, 37.0, 60.0, 75.0)
SHIFTS = ((0.0, 0.0), (0.25, 0.5), (0.5, 0.25))


class Task(NamedTuple):
    """One cloud in one condition."""

    source: Path | str
    stages: tuple[str, ...]
    condition: Condition
    alone: bool


def carry_out(task: Task) -> dict[str, Score]:
    cloud: Cloud = read_sample(task.source) if isinstance(task.source, Path) else make_scene(task.source)
    return score(laid(cloud, task.condition), task.stages, alone=task.alone)


def all_of(tasks: list[Task], jobs: int) -> list[dict[str, Score]]:
    if jobs == 1:
        return [carry_out(task) for task in tasks]
    with ProcessPoolExecutor(jobs) as pool:
        return list(pool.map(carry_out, tasks))


def samples_of(folder: Path) -> list[Path]:
    samples = sorted(folder.glob("samp*.laz"))
    if not samples:
        sys.exit(f"{folder}: no samp*.laz here")
    return samples


def by_stage(names: list[str], stages: tuple[str, ...], rows: list[dict[str, Any]]) -> dict[str, Any]:
    return {stage: {name: row[stage] for name, row in zip(names, rows, strict=True)} for stage in stages}


def measure_samples(
    folder: Path, stages: tuple[str, ...], *, alone: bool = False, jobs: int = 1
) -> tables.Figures:
    """Return the figures of every sample in a folder, by stage and the sample's number."""
    paths = samples_of(folder)
    done = all_of([Task(path, stages, Condition(), alone) for path in paths], jobs)
    rows = [{stage: tables.sample_figures(one) for stage, one in scores.items()} for scores in done]
    return by_stage([path.stem.removeprefix("samp") for path in paths], stages, rows)


def measure_turned(
    folder: Path, stages: tuple[str, ...], *, alone: bool = False, jobs: int = 1
) -> tables.Figures:
    """Return mean total error and kappa, and the worst total error, over turns and phases."""
    paths = samples_of(folder)
    conditions = [Condition(turn, shift) for turn in TURNS for shift in SHIFTS]
    tasks = [Task(path, stages, condition, alone) for path in paths for condition in conditions]
    done = iter(all_of(tasks, jobs))
    rows = []
    for _ in paths:
        scores = [next(done) for _ in conditions]
        row = {}
        for stage in stages:
            totals = [100 * one[stage].counts.total for one in scores]
            kappas = [100 * one[stage].counts.kappa for one in scores]
            row[stage] = {
                "total": round(float(np.mean(totals)), 3),
                "total_worst": round(float(np.max(totals)), 3),
                "kappa": round(float(np.mean(kappas)), 3),
            }
        rows.append(row)
    return by_stage([path.stem.removeprefix("samp") for path in paths], stages, rows)


def measure_scenes(stages: tuple[str, ...], *, alone: bool = False, jobs: int = 1) -> tables.Figures:
    """Return the figures of every scene, by stage and scene."""
    from demo_clouds.scenes import SCENES  # noqa: PLC0415 - found on the path that ground_scores sets

    done = all_of([Task(name, stages, Condition(), alone) for name in SCENES], jobs)
    rows = [{stage: tables.scene_figures(one) for stage, one in scores.items()} for scores in done]
    return by_stage(list(SCENES), stages, rows)


def beside(written: dict[str, Any], figures: dict[str, Any]) -> dict[str, Any]:
    """Return figures, and those written before of stages and samples that weren't measured now."""
    return written | {kind: written.get(kind, {}) | of_stages for kind, of_stages in figures.items()}


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("folder", nargs="?", default=os.environ.get("CLOUDPREP_FILTER_TEST"))
    parser.add_argument("--stages", help="ground stages, with commas; by default all that are registered")
    parser.add_argument("--turns", action="store_true", help="also average over turns and grid phases")
    parser.add_argument("--alone", action="store_true", help="without the noise stages of the pipeline")
    parser.add_argument("--no-scenes", action="store_true", help="score the reference samples only")
    parser.add_argument("--jobs", type=int, default=1, help="processes at work at the same time")
    parser.add_argument("--write", action="store_true", help="write accuracy.md and accuracy.json")
    options = parser.parse_args()
    known = ground_stages()
    stages = tuple(options.stages.split(",")) if options.stages else tuple(known)
    for stage in stages:
        if stage not in known:
            parser.error(f"no ground stage is called '{stage}' (there are: {', '.join(known)})")
    how = {"alone": options.alone, "jobs": options.jobs}
    figures: dict[str, Any] = {}
    if options.folder:
        folder = Path(options.folder)
        figures["samples"] = measure_samples(folder, stages, **how)
        if options.turns:
            figures["turned"] = measure_turned(folder, stages, **how)
    if not options.no_scenes:
        figures["scenes"] = measure_scenes(stages, **how)
    print(tables.page(figures))
    if options.write:
        figures = beside(json.loads(FIGURES.read_text(encoding="utf-8")), figures)
        TABLE.write_text(tables.page(figures), encoding="utf-8")
        FIGURES.write_text(json.dumps(figures, indent=1) + "\n", encoding="utf-8")
        IN_WORDS.write_text(json.dumps(main_figures(figures), indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
