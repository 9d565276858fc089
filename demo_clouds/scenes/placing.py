"""From a site's own frame to a scene's: turned and shifted, so that no scene is in line with any cells."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from ..kinds import Kind
from .model import Scene

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from ..dice import Dice
    from .model import Height
    from .site import Site
    from .survey import Echoes

    Array = NDArray[np.float64]


def place(name: str, meaning: str, site: Site, echoes: Echoes, dice: Dice, **colours: NDArray[Any]) -> Scene:
    """Return measured points as a scene.

    Parameters
    ----------
    name, meaning : str
        See :class:`Scene`.
    site : Site
        Where they were measured.
    echoes : Echoes
        The points in the site's frame.
    dice : Dice
        Turn, shift and height.
    **colours : ndarray of shape (n,)
        Columns ``red``, ``green``, ``blue``; a cloud with colours is photogrammetric and has no intensity.
    """
    turn = np.radians(dice.one(8.0, 82.0))
    c, s = float(np.cos(turn)), float(np.sin(turn))
    east, north, up = dice.one(20.0, 90.0) + s * site.size[1], dice.one(20.0, 90.0), dice.one(90.0, 400.0)

    def terrain(x: Array, y: Array) -> Array:
        dx, dy = np.asarray(x, np.float64) - east, np.asarray(y, np.float64) - north
        return up + site.terrain(c * dx + s * dy, c * dy - s * dx)

    x = np.round(east + c * echoes.x - s * echoes.y, 3)
    y = np.round(north + s * echoes.x + c * echoes.y, 3)
    return Scene(
        name=name,
        meaning=meaning,
        x=x,
        y=y,
        z=np.round(up + echoes.z, 3),
        ground=echoes.kind == Kind.GROUND,
        kind=echoes.kind,
        return_number=echoes.return_number,
        number_of_returns=echoes.number_of_returns,
        terrain=_level(terrain),
        point_source_id=echoes.line,
        intensity=None if colours else echoes.intensity,
        **colours,
    )


def _level(terrain: Height) -> Height:
    """Let a terrain take arrays of any shape."""

    def height(x: Array, y: Array) -> Array:
        flat_x, flat_y = np.ravel(x), np.ravel(y)
        return terrain(flat_x, flat_y).reshape(np.shape(x))

    return height
