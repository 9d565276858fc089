"""Made-up scenes full of noise, every point labelled: what noise stages are tuned on and judged by.

Lidar scenes are flown in two or three overlapping lines (a few in one), so that one line sees empty air
or bare ground where another met a bird, a fog bank, a cloud of dust or a car. Photogrammetric scenes are
coloured points on the visible surface. Small scenes are dense: each holds some 40,000 to 250,000 points.

What is tuned is tuned on :data:`TUNING_SEEDS` only; what is reported comes from :data:`REPORTING_SEEDS`.
"""

from __future__ import annotations

from .kinds import LIDAR_NOISE, NOISE, PHOTOGRAMMETRIC_NOISE, REAL, Label
from .lidar import lidar_scene
from .photo import photogrammetric_scene
from .plans import DENSITIES, KINDS, LIDAR_KINDS, PHOTOGRAMMETRIC_KINDS
from .scene import NoiseScene

__all__ = [
    "DENSITIES",
    "KINDS",
    "LIDAR_KINDS",
    "LIDAR_NOISE",
    "NOISE",
    "PHOTOGRAMMETRIC_KINDS",
    "PHOTOGRAMMETRIC_NOISE",
    "REAL",
    "REPORTING_SEEDS",
    "TUNING_SEEDS",
    "Label",
    "NoiseScene",
    "noise_scene",
]

TUNING_SEEDS = (1, 2, 3, 4)
REPORTING_SEEDS = (101, 102, 103)


def noise_scene(kind: str, density: float, seed: int, *, contrast: bool = True) -> NoiseScene:
    """Return a made-up scene with every point labelled.

    Parameters
    ----------
    kind : str
        One of :data:`KINDS`.
    density : float
        Points a square metre, all lines together; 2, 10, 60 and 200 are meant.
    seed : int
        Seed of the generator: the same seed gives the same scene.
    contrast : bool
        Whether the intensity of lidar scenes tells noise from surfaces. Without, all intensities come from
        one distribution, as after an automatic gain.

    Returns
    -------
    NoiseScene
        The cloud and its truth.

    Raises
    ------
    ValueError
        If there is no such kind, or the density is not within 0.5 to 400 points/m2.

    Examples
    --------
    >>> scene = noise_scene("photo_quarry", 2, 1)
    >>> sorted(scene.columns())[:4]
    ['blue', 'classification', 'green', 'number_of_returns']
    """
    if kind not in KINDS:
        raise ValueError(f"no scene kind is called '{kind}' (there are: {', '.join(KINDS)})")
    if not 0.5 <= density <= 400.0:
        raise ValueError(f"the density must be 0.5 to 400 points/m2, got {density}")
    if kind in LIDAR_KINDS:
        return lidar_scene(kind, float(density), seed, contrast=contrast)
    return photogrammetric_scene(kind, float(density), seed)
