"""A labelled scene, ready for stages."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from .kinds import FIRST_NOISE

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from .frame import Frame
    from .site import Site

    Array = NDArray[np.float64]


@dataclass(frozen=True)
class NoiseScene:
    """A cloud whose every point is labelled with what it really is; arrays have shape (n,).

    Parameters
    ----------
    kind : str
        Scene kind.
    density, seed : float, int
        Points a square metre, seed of the generator.
    x, y, z : ndarray of float64
        Places in local metres, whole millimetres.
    label : ndarray of uint8
        Values of :class:`demo_clouds.noise_scenes.Label`.
    clearly_noise : ndarray of bool
        Noise that can be told from real things at all: see :func:`.separable.clearly_noise`.
    attributes : mapping of str to ndarray of shape (n,)
        Other columns under the names of the LAS standard.
    spacing : float
        Mean distance of neighbours, ``1 / sqrt(density)``, m.
    sigma : float
        Standard deviation of a height on a smooth surface, m.
    site : Site
        What stands there, in the scene's own frame.
    frame : Frame
        From that frame into local metres.
    """

    kind: str
    density: float
    seed: int
    x: Array
    y: Array
    z: Array
    label: NDArray[np.uint8]
    clearly_noise: NDArray[np.bool_]
    attributes: Mapping[str, NDArray[Any]]
    spacing: float
    sigma: float
    site: Site
    frame: Frame

    def __len__(self) -> int:
        return len(self.x)

    @property
    def noise(self) -> NDArray[np.bool_]:
        """Which points are noise."""
        return np.asarray(self.label >= FIRST_NOISE)

    @property
    def return_number(self) -> NDArray[np.uint8]:
        """Number of each return within its pulse."""
        return self.attributes["return_number"]

    @property
    def number_of_returns(self) -> NDArray[np.uint8]:
        """How many returns each point's pulse gave."""
        return self.attributes["number_of_returns"]

    def ground(self, x: Array, y: Array) -> Array:
        """Return the true height of ground or water at places in local metres."""
        return self.site.ground.height(*self.frame.back(np.asarray(x), np.asarray(y)))

    def columns(self) -> dict[str, NDArray[Any]]:
        """Return the columns that a stage is run on: class 0 everywhere, nothing withheld."""
        count = len(self.x)
        return {
            "x": self.x.copy(),
            "y": self.y.copy(),
            "z": self.z.copy(),
            "classification": np.zeros(count, np.uint8),
            "withheld": np.zeros(count, bool),
            **{name: values.copy() for name, values in self.attributes.items()},
        }
