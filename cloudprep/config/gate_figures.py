"""Which figures a pipeline will have, so that a gate on any other is refused before the run."""

from __future__ import annotations

from typing import TYPE_CHECKING

from cloudprep.model.figures import FIGURES
from cloudprep.stages.registry import did_you_mean

if TYPE_CHECKING:
    from collections.abc import Sequence

    from cloudprep.config.sections import Gate
    from cloudprep.model.figures import Figure
    from cloudprep.stages.base import Stage

__all__ = ["figure_problem", "figures_of"]

_ONLY_FLIGHTS = "a figure of single flights"
_ONLY_RUNS = "a figure of the run as a whole"


def figures_of(stages: Sequence[type[Stage]]) -> tuple[dict[str, Figure], bool]:
    """Return the figures that a run with these stages may have, and whether there can be no others.

    There may be others where a stage doesn't declare its figures (``Stage.reports`` is None).
    """
    known = dict(FIGURES)
    for stage in stages:
        known.update({figure.name: figure for figure in stage.reports or ()})
    return known, all(stage.reports is not None for stage in stages)


def figure_problem(gate: Gate, stages: Sequence[type[Stage]]) -> str:
    """Return what is wrong with the figure of a gate; empty where nothing is, or where it can't be known."""
    known, all_known = figures_of(stages)
    figure = known.get(gate.figure)
    if figure is None:
        # An optional gate on a name that nobody gives would never be judged, and nobody would notice.
        if not all_known and not gate.optional:
            return ""
        hint = did_you_mean(gate.figure, list(known))
        return f"no stage of this pipeline gives the figure '{gate.figure}'{hint}"
    if gate.per == "flight" and not figure.per_flight:
        return f"'{gate.figure}' is {_ONLY_RUNS}: 'per: flight' can't be judged, write 'per: run'"
    if gate.per == "run" and not figure.per_run:
        return f"'{gate.figure}' is {_ONLY_FLIGHTS}: write 'per: flight'"
    return ""
