"""What the stages that flatten water share: they look at the ground along its lines, and agree on levels."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, cast

import numpy as np

from cloudprep.kernels.polygons import banded, features_at, nearest_edges
from cloudprep.model.classes import ClassCode
from cloudprep.model.layer import Layer
from cloudprep.stages.base import Scope, Solution, Stage, Summary
from cloudprep.stages.water._features import Water, WaterParams, edges_of, near, pieces_of, waters_of
from cloudprep.stages.water._levels import WaterLevels, site_levels

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from cloudprep.model.site import SiteFacts
    from cloudprep.stages.base import Context, Points

_LEAST_BANK = 2.0
_BANK_SPACINGS = 2.0
_GROUND = (int(ClassCode.GROUND), int(ClassCode.IGNORED_GROUND))
_SHOWN = 5


class OnWater(Stage):
    """Base of the stages that need the levels of given waters; both get the same from the same points.

    Ground points (classes 2 and 20, not withheld) within ``bank_width`` (m) outside a line belong to the bank
    of that water.
    """

    kind = "water"
    scope = Scope.CLOUD
    needs = ("x", "y", "z", "classification")
    uses = ("withheld",)
    summarises = True
    params: WaterParams

    def derive(self, site: SiteFacts) -> tuple[Mapping[str, Any], Mapping[str, str]]:
        """Return the width of banks (m) where it was left open."""
        if self.params.bank_width is not None:
            return {}, {}
        wide = max(_LEAST_BANK, _BANK_SPACINGS * site.spacing)
        return {"bank_width": wide}, {
            "bank_width": f"{_BANK_SPACINGS:g} point spacings of {site.spacing:.2f} m, at least "
            f"{_LEAST_BANK:g} m"
        }

    def given(self) -> Layer:
        """Return the polygons that were given; an empty layer where none were."""
        return self.layers.get("water") or Layer("water", "polygon", np.empty(0, object))

    def summarise(self, points: Points, context: Context) -> Summary:
        """Return the ground points along lines: nearest piece and place."""
        x, y, z, classes = (points[name] for name in self.needs)
        bank = cast("float", self.params.bank_width)
        chosen = np.isin(classes, _GROUND) & context.core
        if "withheld" in points:
            chosen &= ~points["withheld"]
        polygons = pieces_of(self.given(), self.params.island_area).polygons
        number = near(polygons, context.block, bank)
        if len(number) == 0:
            chosen[:] = False
        x, y, z = x[chosen], y[chosen], z[chosen]
        edges = edges_of(polygons[number], number)
        piece, _ = nearest_edges(x, y, edges, bank)
        beside = np.flatnonzero(piece >= 0)
        dry = features_at(x[beside], y[beside], banded(edges)) < 0
        rows = beside[dry]
        return Summary((piece[rows], x[rows], y[rows], z[rows]))

    def merge(self, parts: Sequence[Any]) -> Any:
        """Return all points in an order of their own."""
        piece, x, y, z = (np.concatenate(v) for v in zip(*parts, strict=True))
        order = np.lexsort((z, y, x, piece))
        return piece[order], x[order], y[order], z[order]

    def levels(self, merged: Any, site: SiteFacts) -> tuple[WaterLevels, list[str]]:
        """Return the levels of all waters of the site, and lines for people."""
        layer = self.given()
        pieces = pieces_of(layer, self.params.island_area)
        waters, lines = waters_of(layer, pieces, self.params, site.bounds)
        found, dry = site_levels(waters, pieces.islets, merged, self.params.bank_quantile)
        if not self.layers:
            lines.append("no polygons are given ('water'): nothing is flattened")
        if dry:
            lines.append(_unknown(dry))
        return found, lines

    def solve(self, merged: Any, site: SiteFacts) -> Solution:
        """Return the levels; overridden by what makes more of them."""
        found, lines = self.levels(merged, site)
        return Solution(found, warnings=tuple(lines))


def _unknown(dry: Sequence[Water]) -> str:
    shown = ", ".join(str(w.number + 1) for w in dry[:_SHOWN]) + (" ..." if len(dry) > _SHOWN else "")
    plural = "s" if len(dry) > 1 else ""
    return (
        f"{len(dry)} water{plural} without enough ground points along the bank: left as the terrain has it "
        f"(polygon{plural} {shown})"
    )
