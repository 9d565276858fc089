"""What a scene is: points with truth, and the terrain they stand on."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    Array = NDArray[np.float64]
    Height = Callable[[Array, Array], Array]


@dataclass(frozen=True)
class Scene:
    """A made-up cloud whose every point is known.

    Parameters
    ----------
    name : str
        One of :data:`demo_clouds.scenes.SCENES`.
    meaning : str
        One line for people.
    x, y, z : ndarray of float64, shape (n,)
        Places, m, from a local zero; whole millimetres.
    ground : ndarray of bool, shape (n,)
        Which points lie on the ground.
    kind : ndarray of uint8, shape (n,)
        Values of :class:`demo_clouds.kinds.Kind`.
    return_number, number_of_returns : ndarray of uint8, shape (n,)
        Of each point's pulse; 1 of 1 throughout in a photogrammetric cloud.
    terrain : callable
        ``terrain(x, y)`` is the exact height of the ground, m, anywhere in the scene.
    point_source_id : ndarray of uint16, shape (n,), optional
        Flight line.
    intensity : ndarray of uint16, shape (n,), optional
        Brightness.
    red, green, blue : ndarray of uint16, shape (n,), optional
        Colour.
    """

    name: str
    meaning: str
    x: Array
    y: Array
    z: Array
    ground: NDArray[np.bool_]
    kind: NDArray[np.uint8]
    return_number: NDArray[np.uint8]
    number_of_returns: NDArray[np.uint8]
    terrain: Height
    point_source_id: NDArray[np.uint16] | None = None
    intensity: NDArray[np.uint16] | None = None
    red: NDArray[np.uint16] | None = None
    green: NDArray[np.uint16] | None = None
    blue: NDArray[np.uint16] | None = None

    def __len__(self) -> int:
        return len(self.x)

    def columns(self) -> dict[str, NDArray[Any]]:
        """Return the cloud as a capture delivers it: class 0 everywhere, nothing withheld, no truth."""
        optional = ("point_source_id", "intensity", "red", "green", "blue")
        columns: dict[str, NDArray[Any]] = {
            name: getattr(self, name).copy() for name in ("x", "y", "z", "return_number", "number_of_returns")
        }
        columns["classification"] = np.zeros(len(self), np.uint8)
        columns["withheld"] = np.zeros(len(self), bool)
        columns.update({n: getattr(self, n).copy() for n in optional if getattr(self, n) is not None})
        return columns
