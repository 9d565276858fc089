"""The figures of the accuracy benchmark as JSON and as Markdown."""

from __future__ import annotations

import math
from typing import Any

import ground_published as published
import numpy as np
from ground_scores import SEED, Score, default_stage

Figures = dict[str, dict[str, dict[str, float | None]]]


def _percent(value: float) -> float | None:
    return None if math.isnan(value) else round(100 * value, 3)


def sample_figures(score: Score) -> dict[str, float | None]:
    """Return error rates and kappa, percent."""
    c = score.counts
    rates = {"type_1": c.type_1, "type_2": c.type_2, "total": c.total, "kappa": c.kappa}
    return {name: _percent(value) for name, value in rates.items()}


def scene_figures(score: Score) -> dict[str, float | None]:
    """Return ground kept and objects accepted (percent) and the terrain's error (m)."""
    rmse = None if math.isnan(score.rmse) else round(score.rmse, 4)
    return {
        "kept": _percent(1 - score.counts.type_1),
        "accepted": _percent(score.counts.type_2),
        "rmse": rmse,
    }


def mean(rows: list[dict[str, float | None]], name: str) -> float:
    """Return the mean of a figure over rows that have it."""
    values = [row[name] for row in rows if row.get(name) is not None]
    return float(np.mean(np.array(values, float))) if values else math.nan


def _row(cells: list[Any]) -> str:
    def text(cell: Any) -> str:
        if cell is None or (isinstance(cell, float) and math.isnan(cell)):
            return "-"
        return f"{cell:.2f}" if isinstance(cell, float) else str(cell)

    return "| " + " | ".join(text(cell) for cell in cells) + " |"


def _table(head: list[str], rows: list[list[Any]]) -> str:
    return "\n".join([_row(list(head)), _row(["---"] * len(head)), *(_row(row) for row in rows)])


def means_table(samples: Figures) -> str:
    """Return the means of all stages beside published ones with one set of parameters."""
    names = ("type_1", "type_2", "total", "kappa")
    rows: list[list[Any]] = [
        [f"`{stage}`", *(mean(list(of.values()), n) for n in names)] for stage, of in samples.items()
    ]
    rows += [[f"{who} (15 samples, published)", None, None, total, k] for who, total, k in published.ONE_SET]
    return _table(["one set of parameters", "Type I %", "Type II %", "total %", "kappa %"], rows)


def stage_table(of: dict[str, dict[str, float | None]]) -> str:
    """Return one stage's figures for each sample beside published ones that were tuned for each sample."""
    rows: list[list[Any]] = []
    for sample, figures in of.items():
        others = published.PER_SAMPLE.get(sample, (math.nan,) * 3)
        rows.append([sample, *(figures[n] for n in ("type_1", "type_2", "total", "kappa")), *others])
    means = [float(np.nanmean([row[k] for row in rows])) for k in range(1, len(rows[0]))]
    return _table(
        ["sample", "Type I %", "Type II %", "total %", "kappa %", *published.COLUMNS],
        [*rows, ["mean", *means]],
    )


def totals_table(samples: Figures) -> str:
    """Return the total errors of all stages, sample by sample."""
    names = list(next(iter(samples.values())))
    rows: list[list[Any]] = [[n, *(of[n]["total"] for of in samples.values())] for n in names]
    rows.append(["mean", *(mean(list(of.values()), "total") for of in samples.values())])
    return _table(["total error %", *(f"`{stage}`" for stage in samples)], rows)


def turned_table(turned: Figures) -> str:
    """Return the means over turns and grid phases."""
    rows: list[list[Any]] = []
    for stage, of in turned.items():
        every = list(of.values())
        rows.append([f"`{stage}`", mean(every, "total"), max(e["total_worst"] or 0.0 for e in every)])
        rows[-1].append(mean(every, "kappa"))
    return _table(
        ["averaged over turns and phases", "total %", "worst sample and condition %", "kappa %"], rows
    )


def scenes_table(scenes: Figures) -> str:
    """Return ground kept, objects accepted and the terrain's error of all stages, scene by scene."""

    def cell(figures: dict[str, float | None]) -> str:
        kept, accepted, rmse = (figures[n] for n in ("kept", "accepted", "rmse"))
        parts = [*("-" if v is None else f"{v:.1f}" for v in (kept, accepted))]
        return " / ".join([*parts, "-" if rmse is None else f"{rmse:.2f}"])

    names = list(next(iter(scenes.values())))
    rows: list[list[Any]] = [[f"`{n}`", *(cell(of[n]) for of in scenes.values())] for n in names]
    return _table(["kept % / accepted % / RMSE m", *(f"`{stage}`" for stage in scenes)], rows)


_HEAD = """# Accuracy of the ground stages

Made by `python benchmarks/accuracy.py FOLDER --turns --write`; `accuracy.json` holds the same figures, and a
test fails if the default stage gets worse. Every stage has its default parameters, the same for every cloud,
and runs within the labelling stages of `bare_earth`, whose own ground stage is `{default}`."""

_SAMPLES = """## Reference samples

Samples of the ISPRS filter test (Sithole and Vosselman 2004; airborne laser points, hand-made reference;
samples 21, 31, 42, 51 and 53 from a copy with coarsely rounded coordinates). Published figures are from
memory."""

_TURNED = """The same samples turned by 0, 15, 37, 60 and 75 degrees and shifted by (0, 0), (0.25, 0.5) and
(0.5, 0.25) m, so that luck of the lattice averages out:"""

_SCENES = """## Made-up scenes

Scenes of `demo_clouds/scenes` with seed {seed}: share of the ground points that were kept, share of all other
points that were accepted as ground, and error of the terrain model at cell centres (without upright faces).
`canopy_only` and `thicket_only` have no ground."""


def page(figures: dict[str, Any]) -> str:
    """Return the whole page."""
    default = default_stage()
    parts = [_HEAD.format(default=default)]
    samples = figures.get("samples") or {}
    if samples:
        parts += [_SAMPLES, means_table(samples)]
        if default in samples:
            parts += [f"`{default}`, beside methods tuned for each sample (total error, %):"]
            parts += [stage_table(samples[default])]
        if len(samples) > 1:
            parts += [totals_table(samples)]
    if figures.get("turned"):
        parts += [_TURNED, turned_table(figures["turned"])]
    if figures.get("scenes"):
        parts += [_SCENES.format(seed=SEED), scenes_table(figures["scenes"])]
    return "\n\n".join(parts) + "\n"
