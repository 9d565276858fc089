"""Vector products: points, lines or polygons with attributes; and surfaces of triangles."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Literal

if TYPE_CHECKING:
    from collections.abc import Mapping

    import numpy as np
    from numpy.typing import NDArray

LayerKind = Literal["point", "line", "polygon"]


@dataclass(frozen=True)
class Layer:
    """Features of one kind, made by a stage or given to one.

    Parameters
    ----------
    name : str
        Of the layer in the file.
    kind : {"point", "line", "polygon"}
        Multi-part features count as their parts' kind.
    geometries : ndarray of object, shape (n,)
        Shapely geometries in the site's local metres; a third coordinate is a height, m.
    attributes : mapping of str to ndarray of shape (n,)
        One value a feature.
    meaning : str
        One line that says what a feature is.
    heights : tuple of str
        Attributes that are heights or depths, m: written in the cloud's vertical unit. Whatever else has a
        unit carries it in its name (``area_m2``).
    proposal : bool
        Whether a person has to accept it before it is used: the file says so.
    """

    name: str
    kind: LayerKind
    geometries: NDArray[np.object_]
    attributes: Mapping[str, NDArray[Any]] = field(default_factory=dict)
    meaning: str = ""
    heights: tuple[str, ...] = ()
    proposal: bool = False

    def __len__(self) -> int:
        return len(self.geometries)


@dataclass(frozen=True)
class TinSurface:
    """A surface of triangles.

    Parameters
    ----------
    name : str
        File name without ending.
    vertices : ndarray of float64, shape (n, 3)
        Easting, northing, height in the site's local metres.
    faces : ndarray of integers, shape (m, 3)
        Rows of ``vertices``, counterclockwise seen from above.
    meaning : str
        One line that says what it is and how exact.
    """

    name: str
    vertices: NDArray[np.float64]
    faces: NDArray[np.integer[Any]]
    meaning: str = ""
