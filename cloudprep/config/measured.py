"""What stages were measured to be good and bad at: the accuracy benchmark's figures, in words."""

from __future__ import annotations

import json
from functools import cache
from importlib.resources import files
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Mapping

__all__ = ["measured_text", "measured_words"]

# Percent of the ground kept, and of other points accepted as ground, that count as good and as bad.
_GOOD = (99.0, 1.0)
_BAD = (95.0, 10.0)


@cache
def _figures() -> Mapping[str, Any]:
    # Written by benchmarks/accuracy.py together with its own tables.
    found: Mapping[str, Any] = json.loads(
        files("cloudprep.config").joinpath("measured.json").read_text(encoding="utf-8")
    )
    return found


def measured_text(stage: str) -> str:
    """Return what a stage was measured to be good and bad at; empty where nothing was measured.

    Parameters
    ----------
    stage : str
        Name of the stage.
    """
    figures = _figures()
    of = {part: figures[part].get(stage, {}) for part in ("samples", "scenes")}
    return measured_words(of["samples"], of["scenes"])


def measured_words(
    samples: Mapping[str, Mapping[str, float | None]], scenes: Mapping[str, Mapping[str, float | None]]
) -> str:
    """Put figures of the accuracy benchmark into words.

    Parameters
    ----------
    samples : mapping of str to mapping
        By reference sample: ``total`` and ``kappa``, percent.
    scenes : mapping of str to mapping
        By made-up scene: ``kept`` and ``accepted``, percent (``kept`` is None where there is no ground).

    Returns
    -------
    str
        One to three sentences.

    Examples
    --------
    >>> print(measured_words({}, {"city": {"kept": 99.9, "accepted": 0.13}}))
    Measured on made-up scenes (ground kept / other points taken for ground, %). Good at: `city` 99.9 / 0.1.
    """
    parts = []
    if samples:
        means = [
            sum(float(of[name] or 0.0) for of in samples.values()) / len(samples)
            for name in ("total", "kappa")
        ]
        parts.append(
            f"Measured on {len(samples)} reference samples (airborne laser points, after the noise stages): "
            f"mean total error {means[0]:.2f} %, mean kappa {means[1]:.1f} %."
        )
    good, bad = [], []
    for name, of in scenes.items():
        kept, accepted = of["kept"], float(of["accepted"] or 0.0)
        text = f"`{name}` {'-' if kept is None else f'{kept:.1f}'} / {accepted:.1f}"
        if (kept is None or kept >= _GOOD[0]) and accepted <= _GOOD[1]:
            good.append(text)
        elif (kept is not None and kept < _BAD[0]) or accepted > _BAD[1]:
            bad.append(text)
    if scenes:
        words = ["Measured on made-up scenes (ground kept / other points taken for ground, %)."]
        words += [f"Good at: {', '.join(good)}."] if good else []
        words += [f"Bad at: {', '.join(bad)}."] if bad else []
        parts.append(" ".join(words))
    return "\n\n".join(parts)


def main_figures(figures: Mapping[str, Any]) -> dict[str, Any]:
    """Return the part of the accuracy benchmark's figures that the words are made of."""
    return {
        "samples": {
            stage: {name: {k: of[k] for k in ("total", "kappa")} for name, of in samples.items()}
            for stage, samples in (figures.get("samples") or {}).items()
        },
        "scenes": {
            stage: {name: {k: of[k] for k in ("kept", "accepted")} for name, of in scenes.items()}
            for stage, scenes in (figures.get("scenes") or {}).items()
        },
    }
