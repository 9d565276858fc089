"""From a site's own frame to a scene's: turned and shifted, so that no scene is in line with any cells."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple

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


class Frame(NamedTuple):
    """Where a site's own frame lies in a scene: turned by an angle (cosine, sine), shifted, lifted; m."""

    c: float
    s: float
    east: float
    north: float
    up: float

    def outward(self, x: Array, y: Array) -> tuple[Array, Array]:
        """Return places of the site's frame as places of the scene."""
        return self.east + self.c * x - self.s * y, self.north + self.s * x + self.c * y

    def inward(self, x: Array, y: Array) -> tuple[Array, Array]:
        """Return places of the scene as places of the site's frame."""
        dx, dy = np.asarray(x, np.float64) - self.east, np.asarray(y, np.float64) - self.north
        return self.c * dx + self.s * dy, self.c * dy - self.s * dx


def frame(site: Site, dice: Dice) -> Frame:
    """Return a frame by chance."""
    turn = np.radians(dice.one(8.0, 82.0))
    c, s = float(np.cos(turn)), float(np.sin(turn))
    east, north, up = dice.one(20.0, 90.0) + s * site.size[1], dice.one(20.0, 90.0), dice.one(90.0, 400.0)
    return Frame(c, s, east, north, up)


def place(
    name: str,
    meaning: str,
    site: Site,
    echoes: Echoes,
    dice: Dice,
    at: Frame | None = None,
    **colours: NDArray[Any],
) -> Scene:
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
    at : Frame, optional
        Where it lies; by default by chance.
    **colours : ndarray of shape (n,)
        Columns ``red``, ``green``, ``blue``; a cloud with colours is photogrammetric and has no intensity.
    """
    at = at or frame(site, dice)

    def terrain(x: Array, y: Array) -> Array:
        return at.up + site.terrain(*at.inward(x, y))

    x, y = at.outward(echoes.x, echoes.y)
    x, y = np.round(x, 3), np.round(y, 3)
    return Scene(
        name=name,
        meaning=meaning,
        x=x,
        y=y,
        z=np.round(at.up + echoes.z, 3),
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
