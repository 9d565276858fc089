"""What a stage gives back: changes, never a cloud."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from cloudprep.model.grid import Grid
    from cloudprep.model.layer import Layer, TinSurface


@dataclass(frozen=True)
class Summary:
    """What one block adds to a figure of the whole site.

    Parameters
    ----------
    part : object
        This block's share, from its CORE points only; it must pickle.
    scratch : mapping of str to ndarray of shape (n,)
        Per-point results that the same stage's ``run`` gets back as extra columns (an expensive distance,
        say), one value for each point given, buffer included (what stands at buffer points is thrown away).
    """

    part: Any
    scratch: Mapping[str, NDArray[Any]] = field(default_factory=dict)


@dataclass(frozen=True)
class Solution:
    """What a stage worked out once for the site from the merged summaries.

    Parameters
    ----------
    value : object
        Handed to ``run`` for every block; treated as read-only; it must pickle.
    grids : tuple of Grid
        Raster products; one that an earlier stage made is replaced by one of the same name.
    figures : mapping of str to float or int
        Named results for the run record and for gates.
    warnings : tuple of str
        Lines a person should read.
    revisit : bool
        Whether the stage wants a second look at the points before it settles.
    layers : tuple of Layer
        Vector products.
    surfaces : tuple of TinSurface
        Surfaces of triangles.
    flight_figures : mapping of int to mapping of str to float
        Named results of single flights, by the number of the flight (column ``flight``).
    reasons : mapping of str to str
        What was settled once the points were seen, and why, by the parameter that left it open; it goes to
        the run record with the reasons of derived parameters.
    """

    value: Any = None
    grids: tuple[Grid, ...] = ()
    figures: Mapping[str, float | int] = field(default_factory=dict)
    warnings: tuple[str, ...] = ()
    revisit: bool = False
    layers: tuple[Layer, ...] = ()
    surfaces: tuple[TinSurface, ...] = ()
    flight_figures: Mapping[int, Mapping[str, float | int]] = field(default_factory=dict)
    reasons: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class Delta:
    """New columns for the points a stage was given.

    Parameters
    ----------
    columns : mapping of str to ndarray of shape (n,)
        New values, one for each point given, buffer included (what stands at buffer points is thrown away).
        Only names that the stage declares in ``provides``.
    warnings : tuple of str
        Lines a person should read; the same line from many blocks is shown once.
    """

    columns: Mapping[str, NDArray[Any]] = field(default_factory=dict)
    warnings: tuple[str, ...] = ()
