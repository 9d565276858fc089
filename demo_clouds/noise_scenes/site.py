"""What stands in a noise scene, gathered while it is built."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from ..solids import Solid  # noqa: TID252 - the installed package bears another name
    from .chance import Chance
    from .ground import Ground
    from .kinds import Label

    Array = NDArray[np.float64]


class Block(NamedTuple):
    """A solid body with what it is, its brightness and the heights it lies between, m."""

    label: Label
    solid: Solid
    brightness: float
    span: tuple[float, float]


class Rods(NamedTuple):
    """Straight thin members (n, 3) of one thing: their ends, half thickness (m), opacity and brightness."""

    label: Label
    starts: Array
    ends: Array
    radius: float
    opacity: float
    brightness: float


class Crown(NamedTuple):
    """An ellipsoid of leaves: centre, half axes in plan and upwards, mean free path of a beam, m."""

    label: Label
    centre: Array
    radius: float
    half: float
    free_path: float


class Span(NamedTuple):
    """A wire's truth: where it is fastened and how far its middle hangs below the straight line, m."""

    label: Label
    start: Array
    end: Array
    sag: float


class Roof(NamedTuple):
    """Outline of a building: centre, length and width, direction (degrees), height of foot and eaves, m."""

    centre: tuple[float, float]
    size: tuple[float, float]
    turned: float
    span: tuple[float, float]


@dataclass
class Site:
    """The scene's ground, everything on it, and which places are taken.

    ``bays`` are free places where something that moves may stand while a line is flown, ``strip`` is the
    middle and half width (m) of the strip below the power line.

    Parameters
    ----------
    extent : tuple of float
        Length and width, m.
    ground : Ground
        Its ground.
    scale : float
        Size of what people built: 1 seen from an aeroplane, smaller in the small scenes of drones.
    chance : Chance
        Where things go.
    """

    extent: tuple[float, float]
    ground: Ground
    scale: float
    chance: Chance
    blocks: list[Block] = field(default_factory=list)
    rods: list[Rods] = field(default_factory=list)
    crowns: list[Crown] = field(default_factory=list)
    spans: list[Span] = field(default_factory=list)
    roofs: list[Roof] = field(default_factory=list)
    herbs: float = 0.1
    bays: list[tuple[float, float]] = field(default_factory=list)
    strip: tuple[float, float] = (-1e9, 0.0)
    _taken: list[tuple[float, float, float]] = field(default_factory=list)

    def spot(self, radius: float, *, dry: bool = True, tries: int = 40) -> tuple[float, float] | None:
        """Return a free place with room around it and take it, or None where none was found."""
        length, width = self.extent
        taken = np.array(self._taken).reshape(-1, 3)
        edge = min(0.6 * radius, 0.2 * width)
        for _ in range(tries):
            x, y = self.chance.one(edge, length - edge), self.chance.one(edge, width - edge)
            if abs(y - self.strip[0]) < self.strip[1] + radius:
                continue
            near = np.hypot(taken[:, 0] - x, taken[:, 1] - y) < taken[:, 2] + radius
            wet = bool(self.ground.wet(np.array([x]), np.array([y]))[0])
            if near.any() or (dry and wet):
                continue
            self.take(x, y, radius)
            return x, y
        return None

    def take(self, x: float, y: float, radius: float) -> None:
        """Mark a place as taken."""
        self._taken.append((x, y, radius))

    def level(self, x: float, y: float) -> float:
        """Return the height of the ground at a place."""
        return self.ground.at(x, y)

    def inside(self, x: float, y: float) -> bool:
        """Tell whether a place lies in the scene."""
        return 0.0 < x < self.extent[0] and 0.0 < y < self.extent[1]
