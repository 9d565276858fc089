"""The committed demo site, read once."""

from __future__ import annotations

import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import laspy
import numpy as np
import pytest

# The demo site stands beside the package. Last in line, so that an installed package stays the one tested.
ROOT = Path(__file__).parents[2]
if str(ROOT) not in sys.path:
    sys.path.append(str(ROOT))


@dataclass(frozen=True)
class Flight:
    """A committed flight with its truth; x and y are metres from the site's corner."""

    las: laspy.LasData
    truth_las: laspy.LasData
    x: np.ndarray[Any, np.dtype[np.float64]]
    y: np.ndarray[Any, np.dtype[np.float64]]
    z: np.ndarray[Any, np.dtype[np.float64]]
    kind: np.ndarray[Any, np.dtype[np.uint8]]
    ground: np.ndarray[Any, np.dtype[np.float64]]

    def of(self, *kinds: int) -> np.ndarray[Any, np.dtype[np.bool_]]:
        """Return a mask of the points of some kinds."""
        return np.isin(self.kind, kinds)


def _read(path: Path) -> Flight:
    from demo_clouds import place, terrain
    from demo_clouds.truth import truth_of

    las, truth = laspy.read(path), laspy.read(truth_of(path))
    x = np.asarray(las.x) - place.ORIGIN[0]
    y = np.asarray(las.y) - place.ORIGIN[1]
    return Flight(las, truth, x, y, np.asarray(las.z), np.asarray(truth["kind"]), terrain.height(x, y))


@pytest.fixture(scope="session")
def flights() -> dict[str, Flight]:
    """The two laser flights by name."""
    from demo_clouds import place

    return {name: _read(place.FOLDER / "flights" / f"{name}.laz") for name in ("flight1", "flight2")}


@pytest.fixture(scope="session")
def twin() -> Flight:
    """The photogrammetric twin."""
    from demo_clouds import place

    return _read(place.FOLDER / "twin" / "twin.laz")


@pytest.fixture(scope="session")
def every(flights: dict[str, Flight], twin: Flight) -> dict[str, Flight]:
    """All three flights by name."""
    return {**flights, "twin": twin}
