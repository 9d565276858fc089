"""Which rasters a run will draw, before anything is known but the site."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from cloudprep.errors import UsageError
from cloudprep.model.grid import Grid

if TYPE_CHECKING:
    from collections.abc import Sequence

    from cloudprep.model.grid import Canvas, Window
    from cloudprep.model.site import SiteFacts
    from cloudprep.stages.base import Stage


def planned_canvases(stages: Sequence[Stage], site: SiteFacts) -> list[tuple[Canvas, ...]]:
    """Return for each stage the rasters that it will draw block by block.

    Parameters
    ----------
    stages : sequence of Stage
        Resolved.
    site : SiteFacts
        Of the headers, or measured.

    Returns
    -------
    list of tuple of Canvas
        None for a stage that refuses such a site: a header may be wrong, so the run decides.
    """
    there: dict[str, Grid] = {}
    found: list[tuple[Canvas, ...]] = []
    for stage in stages:
        read = {name: there[name] for name in stage.sources() if name in there}
        canvases: tuple[Canvas, ...] = ()
        if stage.draws:
            twin = stage.resolved(site)
            twin.rasters = read
            try:
                canvases = twin.canvas(site)
            except (UsageError, TypeError, KeyError):
                canvases = ()
            there.update((c.name, _stand_in(c.name, c.window)) for c in canvases)
        elif read:
            window = next(iter(read.values())).window
            there.update((name, _stand_in(name, window)) for name in stage.products())
        found.append(canvases)
    return found


def _stand_in(name: str, window: Window) -> Grid:
    """Return a raster of nothing that takes no memory."""
    return Grid(name, np.broadcast_to(np.float32(np.nan), window.shape), window, "")
