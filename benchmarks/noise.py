"""Noise stages on labelled scenes: noise found and real points lost, beside a plain statistical test.

python benchmarks/noise.py [--report] [--seeds N] [--kinds ...] [--densities ...] [--cost 1 4] [--write]

Runs the noise stages of ``bare_earth``, together and each alone, on made-up scenes whose every point is
labelled (demo_clouds/noise_scenes). Without ``--report`` on the seeds that may be tuned on; with it on those
that may not. The reference calls noise what lies beyond mean + 1 or 3 standard deviations of the mean
distance to 8 neighbours. ``--cost`` times the stages on scan-ordered points, in millions, against one exact
search of 10 neighbours in the same run; ``--write`` puts all of it into noise.md and noise.json.
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from scipy.spatial import cKDTree

sys.path.append(str(Path(__file__).parents[1]))

from cloudprep.config import load_pipeline
from cloudprep.engine.heap import keep_freed, one_heap
from cloudprep.engine.passes import StagePass
from cloudprep.engine.progress import Silent
from cloudprep.engine.store_memory import MemoryStore
from cloudprep.kernels.neighbours import mean_neighbour_distance
from cloudprep.model.classes import NOISE_CODES
from cloudprep.stages.registry import stage_class
from cloudprep.testing import facts_of, run_stage
from demo_clouds.noise_scenes import (
    DENSITIES,
    KINDS,
    LIDAR_KINDS,
    NOISE,
    REAL,
    REPORTING_SEEDS,
    TUNING_SEEDS,
    Label,
    noise_scene,
)
from demo_clouds.noise_scenes import kinds as groups
from demo_clouds.noise_scenes.score import OTHER_REAL, Tally

TABLE = Path(__file__).with_name("noise.md")
FIGURES = Path(__file__).with_name("noise.json")
ALL = "all"
# Photogrammetric clouds are dense.
PHOTOGRAMMETRIC_DENSITIES = (60.0, 200.0)
PLAIN = {"plain m1": 1.0, "plain m3": 3.0}
# What the noise stages are held to: group, whether it is to be found or lost, labels, percent.
BARS = (
    ("separable scattered and low noise found", True, (*groups.SCATTERED, *groups.LOW), 98.0),
    ("separable pits found", True, (Label.PIT,), 93.0),
    ("detached fog, flocks, ghosts found", True, groups.DETACHED, 90.0),
    ("photogrammetric floaters found", True, groups.FLOATERS, 90.0),
    ("photogrammetric edges found", True, (Label.EDGE_SMEAR,), 80.0),
    ("ground lost", False, (Label.GROUND,), 0.01),
    ("other real points lost", False, OTHER_REAL, 0.3),
)
# Share of wires and guys that may be lost below 10 points/m2 and from there on, percent.
WIRE_BARS = (("wires lost below 10 points/m2", 5.0), ("wires lost from 10 points/m2", 1.0))


def noise_stages():
    """Return the stages of kind noise in ``bare_earth``, in its order."""
    return [stage for stage in load_pipeline("bare_earth").build() if stage.kind == "noise"]


def parts():
    """Return name -> stages: all together, and each that labels, with what works out columns for it."""
    stages = noise_stages()
    helpers = [stage for stage in stages if "classification" not in stage.provides]
    labelling = [stage for stage in stages if "classification" in stage.provides]
    return {ALL: stages, **{stage.name: [*helpers, stage] for stage in labelling}}


def carry_out(stages, columns):
    """Run stages one after the other; return which points are noise then."""
    for stage in stages:
        run = run_stage(stage, columns)
        columns = {**columns, **run.labels, **run.working}
    return np.isin(columns["classification"], NOISE_CODES)


@dataclass
class Scores:
    """Tallies by what was run, and of the wires in thin and in dense scenes."""

    tallies: dict[str, Tally] = field(default_factory=dict)
    wires: dict[str, tuple[Tally, Tally]] = field(default_factory=dict)

    def add(self, name, scene, called):
        """Add what one run called noise in one scene."""
        self.tallies.setdefault(name, Tally()).add(scene, called)
        self.wires.setdefault(name, (Tally(), Tally()))[scene.density >= 10.0].add(scene, called)


def measure(scenes, *, contrast=True, alone=True, say=lambda _: None):
    """Return the scores over (kind, density, seed) triples."""
    scores = Scores()
    for kind, density, seed in scenes:
        scene = noise_scene(kind, density, seed, contrast=contrast)
        for name, stages in parts().items():
            if alone or name == ALL:
                start = time.perf_counter()
                scores.add(name, scene, carry_out(stages, scene.columns()))
                say(f"{kind} {density:g} points/m2 seed {seed}: {name} {time.perf_counter() - start:.1f} s")
        mean, _ = mean_neighbour_distance(scene.x, scene.y, scene.z, 8)
        for name, times in PLAIN.items():
            scores.add(name, scene, mean > mean.mean() + times * mean.std())
    return scores


def tables(scores):
    """Return the tables as Markdown."""
    names = list(scores.tallies)
    head = "| | " + " | ".join(names) + " |\n| --- |" + " --- |" * len(names)

    def rows(title, labels, shares):
        lines = [f"\n{title}\n", head]
        for label in labels:
            values = [shares(scores.tallies[name], label) for name in names]
            if not np.isnan(values[0]):
                cells = " | ".join(f"{100 * v:.3g}" for v in values)
                lines.append(f"| {label.name.lower().replace('_', ' ')} | {cells} |")
        return lines

    lines = ["| bar | to reach | measured |", "| --- | --- | --- |"]
    for title, bar, value in bars(scores):
        lines.append(f"| {title} | {bar:g} | {value:.3g} |")
    lines += rows("Separable noise found, %:", NOISE, lambda t, label: t.found([label]))
    lines += rows("All noise found, separable or not, %:", NOISE, lambda t, label: t.found_of_all([label]))
    lines += rows("Real points lost, %:", REAL, lambda t, label: t.lost([label]))
    return "\n".join(lines)


def bars(scores, name=ALL):
    """Return (bar in words, percent to reach, percent measured) for everything that occurs."""
    tally = scores.tallies[name]
    found = [
        (title, bar, 100 * (tally.found(labels) if wanted else tally.lost(labels)))
        for title, wanted, labels, bar in BARS
    ]
    for (title, bar), wires in zip(WIRE_BARS, scores.wires[name], strict=True):
        found.append((title, bar, 100 * wires.lost(groups.WIRES)))
    return [row for row in found if not np.isnan(row[2])]


def scan_ordered(millions):
    """Return columns of that many points: a scene at 10 points/m2 repeated along its flight lines."""
    scene = noise_scene("town", 10.0, TUNING_SEEDS[0])
    columns = scene.columns()
    count = int(1e6 * millions)
    tiles = -(-count // len(scene))
    east, north = (
        np.diff(axis)[0] for axis in scene.frame.out(np.array([0.0, scene.site.extent[0]]), np.zeros(2))
    )
    tile = np.repeat(np.arange(tiles), len(scene))
    many = {name: np.tile(values, tiles) for name, values in columns.items()}
    many["x"] += tile * east
    many["y"] += tile * north
    order = np.lexsort((tile, many["point_source_id"]))[:count]
    many = {name: values[order] for name, values in many.items()}
    many["gps_time"] = np.arange(count) * 1e-5
    return many


def cost(millions, rounds=3):
    """Return CPU seconds of one core: each noise stage, and exact searches of 10 neighbours around them.

    The site is measured once and memory that is let go is kept, as in a run, and one more round before the
    clock starts has everything compiled and loaded. Each round's stages are divided by the mean of the
    searches right before and right after them; the ratios are the medians of the rounds.
    """
    one_heap()
    keep_freed(True)
    columns = scan_ordered(millions)
    once_round(scan_ordered(min(millions, 0.2)))
    rows = [once_round(columns) for _ in range(rounds)]
    start = time.process_time()
    places = np.column_stack([columns[axis] for axis in "xyz"])
    cKDTree(places).query(places, 11)
    scipy_search = time.process_time() - start
    totals = [sum(each.values()) for _, each in rows]
    names = rows[0][1]
    return {
        "points": len(columns["x"]),
        "rounds": rounds,
        "search_s": float(np.median([search for search, _ in rows])),
        "scipy_search_s": scipy_search,
        "stages_s": {n: float(np.median([each[n] for _, each in rows])) for n in names},
        "stage_ratios": {n: float(np.median([each[n] / search for search, each in rows])) for n in names},
        "ratios": [total / search for total, (search, _) in zip(totals, rows, strict=True)],
        "ratio": float(np.median([t / search for t, (search, _) in zip(totals, rows, strict=True)])),
        "scipy_ratio": float(np.median(totals)) / scipy_search,
    }


def once_round(columns):
    """Return CPU seconds of our search (mean of one before and one after) and of each stage on a cloud."""

    def search():
        start = time.process_time()
        mean_neighbour_distance(columns["x"], columns["y"], columns["z"], 10)
        return time.process_time() - start

    before = search()
    site = facts_of(columns)
    store = MemoryStore(dict(columns))
    store.cut(site)
    each = {}
    for stage in noise_stages():
        work = StagePass(stage.resolved(site), store, site, workers=1, progress=Silent())
        start = time.process_time()
        work.carry_out()
        each[stage.name] = time.process_time() - start
    return (before + search()) / 2, each


def cost_table(costs):
    """Return the costs as Markdown."""
    lines = [
        "\nCost, CPU seconds of one core, against exact searches of 10 neighbours in the same run:\n",
        "| points | noise stages s | our search s | ratio (of each round) | scipy search s | ratio |",
        "| --- | --- | --- | --- | --- | --- |",
    ]
    for row in costs:
        total = sum(row["stages_s"].values())
        rounds = ", ".join(f"{ratio:.2f}" for ratio in row["ratios"])
        lines.append(
            f"| {row['points']} | {total:.2f} | {row['search_s']:.2f} | {row['ratio']:.2f} ({rounds}) "
            f"| {row['scipy_search_s']:.2f} | {row['scipy_ratio']:.2f} |"
        )
    names = list(costs[0]["stages_s"])
    lines += [
        "\nEach stage, as a multiple of our search:\n",
        "| points | " + " | ".join(names) + " |",
        "| --- |" + " --- |" * len(names),
    ]
    for row in costs:
        lines.append(
            f"| {row['points']} | " + " | ".join(f"{row['stage_ratios'][n]:.2f}" for n in names) + " |"
        )
    return "\n".join(lines)


def figures(scores):
    """Return the scores as plain numbers, percent."""
    return {
        "bars": {title: {"to_reach": bar, "measured": round(value, 4)} for title, bar, value in bars(scores)},
        "separable_found": {n: _percent(t.found, NOISE) for n, t in scores.tallies.items()},
        "all_found": {n: _percent(t.found_of_all, NOISE) for n, t in scores.tallies.items()},
        "lost": {n: _percent(t.lost, REAL) for n, t in scores.tallies.items()},
    }


def _percent(share, labels):
    values = {label.name.lower(): 100 * share([label]) for label in labels}
    return {name: round(value, 4) for name, value in values.items() if not np.isnan(value)}


def scenes_of(kinds, densities, seeds):
    """Return the (kind, density, seed) triples asked for; photogrammetric kinds only where dense."""
    return [
        (kind, density, seed)
        for seed in seeds
        for kind in kinds
        for density in densities
        if kind in LIDAR_KINDS or density in PHOTOGRAMMETRIC_DENSITIES
    ]


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--report", action="store_true", help="the seeds that nothing may be tuned on")
    parser.add_argument("--seeds", type=int, default=1, help="how many of the seeds")
    parser.add_argument("--kinds", nargs="+", choices=KINDS, default=list(KINDS))
    parser.add_argument("--densities", nargs="+", type=float, default=list(DENSITIES))
    parser.add_argument("--no-contrast", action="store_true", help="intensities that tell nothing")
    parser.add_argument("--together", action="store_true", help="don't run each stage alone as well")
    parser.add_argument("--cost", nargs="*", type=float, default=[], help="millions of points to time")
    parser.add_argument("--write", action="store_true")
    options = parser.parse_args()
    seeds = (REPORTING_SEEDS if options.report else TUNING_SEEDS)[: options.seeds]
    scenes = scenes_of(options.kinds, options.densities, seeds)
    scores = measure(
        scenes,
        contrast=not options.no_contrast,
        alone=not options.together,
        say=lambda text: print(text, file=sys.stderr),
    )
    costs = [cost(millions) for millions in options.cost]
    text = tables(scores) + "\n" + (cost_table(costs) + "\n" if costs else "")
    print(text)
    if options.write:
        kind = "reporting" if options.report else "tuning"
        names = ", ".join(stage_class(stage.name).name for stage in noise_stages())
        head = HEAD.format(count=len(scenes), kind=kind, seeds=", ".join(map(str, seeds)), stages=names)
        TABLE.write_text(head + text, encoding="utf-8")
        content = {"seeds": seeds, "scenes": len(scenes), **figures(scores), "cost": costs}
        FIGURES.write_text(json.dumps(content, indent=1) + "\n", encoding="utf-8")


HEAD = """# What the noise stages find, and what they lose

The noise stages of `bare_earth` ({stages}) with all defaults on {count} made-up scenes, {kind} seeds {seeds}:
four lidar kinds at 2, 10, 60 and 200 points/m2 and four photogrammetric kinds at 60 and 200. `all` is all
noise stages together; then each alone; plain m1 and m3 call noise what lies beyond mean + 1 or 3 standard
deviations of the mean distance to 8 neighbours. Separable is noise that isn't nearer to something real than
the point spacing and the surface's own noise let one tell (`demo_clouds/noise_scenes/separable.py`). Scenes
are made up: a figure here is no promise for the field. Made by `benchmarks/noise.py`.

"""


if __name__ == "__main__":
    main()
