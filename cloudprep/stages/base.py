"""The contract that every stage is held to (and that ``cloudprep.testing`` checks)."""

from __future__ import annotations

from abc import ABC
from dataclasses import dataclass
from enum import Enum
from typing import TYPE_CHECKING, Annotated, Any, ClassVar, NamedTuple, Protocol, Self

import numpy as np
from pydantic import BaseModel, BeforeValidator, ConfigDict, Field

from cloudprep.model.bounds import EVERYWHERE, Bounds
from cloudprep.model.delta import Delta, Solution, Summary
from cloudprep.model.grid import Canvas, Drawing, Window
from cloudprep.model.points import Points

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from cloudprep.model.figures import Figure
    from cloudprep.model.grid import Grid
    from cloudprep.model.layer import Layer, LayerKind
    from cloudprep.model.moves import ClassMoves
    from cloudprep.model.site import SiteFacts

__all__ = [
    "Canvas",
    "ClassCodes",
    "Context",
    "Delta",
    "Drawing",
    "GivenFile",
    "Points",
    "Scope",
    "SiteBytes",
    "Solution",
    "Stage",
    "StageParams",
    "Summary",
    "layer_parameter",
    "layer_parameters",
    "parameter",
]


class Scope(Enum):
    """How far a point's result depends on other points."""

    POINT = "point"
    NEIGHBOURHOOD = "neighbourhood"
    CLOUD = "cloud"
    RASTER = "raster"


class StageParams(BaseModel):
    """Base of every stage's parameters: frozen, strict, no unknown keys, no NaN or infinity.

    Strict means that a boolean is not a number and a text is not a number; a whole number is accepted
    where a length is wanted.
    """

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True, allow_inf_nan=False)


def parameter(
    default: Any,
    *,
    meaning: str,
    unit: str = "",
    derived: str = "",
    source: str = "",
    gt: float | None = None,
    ge: float | None = None,
    lt: float | None = None,
    le: float | None = None,
) -> Any:
    """Declare one parameter of a stage.

    Parameters
    ----------
    default : object
        The default; None for a parameter that is derived from the cloud.
    meaning : str
        One line for people.
    unit : str
        Unit of the value: ``m``, ``degrees``, ``points`` or empty.
    derived : str
        How the value follows from the cloud where it is None.
    source : str
        Paper, standard or ``common practice, no source`` behind the default.
    gt, ge, lt, le : float, optional
        Bounds: greater than, at least, less than, at most.

    Returns
    -------
    object
        A pydantic field description.
    """
    extra: dict[str, Any] = {"unit": unit, "derived": derived, "source": source}
    bounds: dict[str, Any] = {
        k: v for k, v in {"gt": gt, "ge": ge, "lt": lt, "le": le}.items() if v is not None
    }
    return Field(default=default, description=meaning, json_schema_extra=extra, **bounds)


def layer_parameter(*, meaning: str, kinds: Sequence[LayerKind], source: str = "") -> Any:
    """Declare a parameter that names a vector file: ``water: GivenFile = layer_parameter(...)``.

    The runner reads the file before anything else and puts what is in it into ``Stage.layers`` under the
    parameter's name: local metres, reprojected from whatever system the file states. Where the parameter is
    left out there is no such layer; the stage says what follows from that.

    Parameters
    ----------
    meaning : str
        One line for people.
    kinds : sequence of {"point", "line", "polygon"}
        What the features may be; anything else is refused by name.
    source : str
        Paper or standard behind what is wanted.
    """
    extra: dict[str, Any] = {"unit": "", "derived": "", "source": source, "layer_kinds": list(kinds)}
    how = "a path, maybe with #layer: water.gpkg#ponds"
    return Field(default=None, description=f"{meaning} ({how})", min_length=1, json_schema_extra=extra)


GivenFile = str | None
"""The type of a parameter that names a vector file."""


def layer_parameters(params: type[StageParams]) -> dict[str, tuple[LayerKind, ...]]:
    """Return the parameters that name vector files, and what their features may be."""
    found: dict[str, tuple[LayerKind, ...]] = {}
    for name, info in params.model_fields.items():
        extra = info.json_schema_extra
        if isinstance(extra, dict) and "layer_kinds" in extra:
            kinds: Any = extra["layer_kinds"]
            found[name] = tuple(kinds)
    return found


def _as_tuple(value: object) -> object:
    return tuple(value) if isinstance(value, list) else value


_ClassCode = Annotated[int, Field(ge=0, le=255)]

ClassCodes = Annotated[
    tuple[_ClassCode, ...],
    BeforeValidator(_as_tuple, json_schema_input_type=list[_ClassCode]),
]
"""A list of class codes, as YAML writes it."""


class Fetch(Protocol):
    """Gives every point of the site within half-open bounds, with the stage's columns."""

    def __call__(self, bounds: Bounds) -> Points: ...


@dataclass(frozen=True)
class Context:
    """What surrounds the points that a stage is given.

    Parameters
    ----------
    site : SiteFacts
        Facts about the whole cloud.
    core : ndarray of bool, shape (n,)
        Which of the points belong to the block; the others are its buffer.
    block : Bounds
        The block; a point belongs to the block that contains it, half-open.
    buffered : Bounds
        Within these bounds every point of the site is among the points given.
    fetch : callable
        ``fetch(bounds)`` gives all points of the site in other bounds. It is the way out for the few points
        whose neighbourhood reaches past the buffer: results must not depend on where blocks lie.
    threads : int
        Threads that a kernel may use.
    """

    site: SiteFacts
    core: NDArray[np.bool_]
    block: Bounds
    buffered: Bounds
    fetch: Fetch
    threads: int = 1


class Stage(ABC):
    """One step of a pipeline: named columns in, a :class:`Delta` out, nothing changed in place.

    Life of a stage that sees points: it is built from parameters (``__init__`` only stores them);
    ``resolved(site)`` gives a twin in which every derived parameter has its value; if ``summarises``, every
    block calls ``summarise``, the parts are merged in ``merge`` and ``solve`` runs once (a solution may ask
    for a second look at the points: ``revisit``, ``merge_revisits``, ``settle``); then, if the stage
    ``provides`` columns, every block calls ``run``; then, if it ``draws``, every block calls ``draw``, and
    ``finish`` runs once.

    A stage may read rasters of earlier stages (``reads``): the runner puts them into ``rasters`` before
    anything else is called. Vector files that parameters name (``layer_parameter``) are read by the runner
    too, into ``layers``. If it neither summarises nor draws, ``from_rasters`` runs once in place of
    ``solve``: it makes rasters, layers or surfaces from rasters, or what ``run`` needs.

    The results must not depend on the order of the points, on the blocks or on the workers, to the bit.
    """

    name: ClassVar[str]
    """Name in YAML: a plain trade term."""
    kind: ClassVar[str]
    """Folder of the stage: ``noise``, ``ground``, ``surface``."""
    Params: ClassVar[type[StageParams]]
    scope: ClassVar[Scope]
    needs: ClassVar[tuple[str, ...]] = ("x", "y", "z")
    """Columns that must be there: carried by every flight, or provided by an earlier stage."""
    uses: ClassVar[tuple[str, ...]] = ()
    """Columns that are handed over where the flights carry them or an earlier stage provides them."""
    provides: ClassVar[tuple[str, ...]] = ()
    """Columns that ``run`` may change (labels) or works out for later stages (working columns).

    A working column must be given whole wherever it is declared. A label that the standard has no field for
    (``ground_confidence``) starts from 0 for every point, whatever the flights carried.
    """
    grids: ClassVar[tuple[str, ...]] = ()
    """Raster products (names) that ``solve`` makes, or ``draw`` and ``finish``, or ``from_rasters``.

    A name that the stage also reads is replaced for all later stages.
    """
    reads: ClassVar[tuple[str, ...]] = ()
    """Rasters of earlier stages that it reads; parameters may choose among them (``sources``)."""
    makes_layers: ClassVar[tuple[str, ...]] = ()
    """Vector products (their names)."""
    makes_surfaces: ClassVar[tuple[str, ...]] = ()
    """Surfaces of triangles (their names)."""
    reports: ClassVar[tuple[Figure, ...] | None] = None
    """Figures that it may give, beside those of every run; None: not declared, and gates can't be checked
    against them before a run."""
    summarises: ClassVar[bool] = False
    revisits: ClassVar[bool] = False
    """Whether a solution may ask for a second look at the points (``Solution.revisit``)."""
    draws: ClassVar[bool] = False
    """Whether rasters are drawn block by block (``canvas``, ``draw``, ``finish``)."""
    references: ClassVar[tuple[str, ...]] = ()
    """Papers and standards behind the method."""
    bytes_per_point: ClassVar[int] = 64
    """Upper estimate of working memory, for the plan."""
    bytes_per_cell: ClassVar[int] = 24
    """Upper estimate of the memory that ``from_rasters`` takes a cell of the rasters it reads, products
    included, for the plan."""
    threads: int = 1
    """Threads that ``solve``, ``settle`` and ``finish`` may use: they run alone. Set by the runner."""

    def __init__(self, params: StageParams | None = None, reasons: Mapping[str, str] | None = None) -> None:
        self.params = params if params is not None else self.Params()
        self.reasons: dict[str, str] = dict(reasons or {})
        self.rasters: Mapping[str, Grid] = {}
        """What ``sources`` names, read-only; set by the runner on a resolved stage."""
        self.layers: Mapping[str, Layer] = {}
        """What people gave, by the parameter that names the file; set by the runner on a resolved stage."""

    def sources(self) -> tuple[str, ...]:
        """Return the rasters that this stage reads; all that the class ``reads`` unless parameters choose."""
        return self.reads

    def products(self) -> tuple[str, ...]:
        """Return the rasters that this stage makes; all of ``grids`` unless parameters choose."""
        return self.grids

    def classes_needed(self) -> tuple[int, ...]:
        """Return class codes of which the cloud must have a point, unless an earlier stage gives classes.

        None by default. A run whose cloud has no point of any of them is refused before its first stage.
        """
        return ()

    def resolved(self, site: SiteFacts) -> Self:
        """Return a twin whose derived parameters have values, with the reason for each.

        Parameters
        ----------
        site : SiteFacts
            Facts about the whole cloud.

        Returns
        -------
        Stage
            A stage of the same class.
        """
        values, reasons = self.derive(site)
        return type(self)(self.params.model_copy(update=dict(values)), reasons)

    def derive(self, site: SiteFacts) -> tuple[Mapping[str, Any], Mapping[str, str]]:
        """Return values for parameters left None, and the reason for each in words.

        Override together with ``parameter(None, derived=...)``; only parameters that ARE None may be named.
        """
        del site
        return {}, {}

    def reach(self) -> float:
        """Return how far (m, horizontally) a result may depend on other points: an upper bound.

        The runner buffers every block by it. Asked of a resolved stage only. The few points whose
        neighbourhood reaches further are the stage's own business (``context.fetch``).
        """
        return 0.0

    def site_bytes(self, site: SiteFacts) -> SiteBytes:
        """Return the memory that the stage takes for the whole site, beside that for points: its rasters.

        Asked of a resolved stage only.
        """
        del site
        return SiteBytes(0, 0)

    def summarise(self, points: Points, context: Context) -> Summary:
        """Return this block's share of the site's figures."""
        raise NotImplementedError

    def merge(self, parts: Sequence[Any]) -> Any:
        """Join shares into one; the order of the parts must not matter to the bit."""
        raise NotImplementedError

    def solve(self, merged: Any, site: SiteFacts) -> Solution:
        """Work out once for the site what ``run`` needs, and the raster products."""
        raise NotImplementedError

    def from_rasters(self, site: SiteFacts) -> Solution:
        """Return what is made of ``rasters``; their values must not be changed.

        ``Solution.value`` goes to ``run``.
        """
        raise NotImplementedError

    def revisit(self, points: Points, context: Context, solution: Solution) -> Any:
        """Return this block's share of figures that only the first solution makes possible.

        Called for every block if ``revisits`` and the solution asks for it; from CORE points only, and the
        share must pickle. In a ``Summary`` it comes with columns for ``run``, as from ``summarise``.
        """
        raise NotImplementedError

    def merge_revisits(self, parts: Sequence[Any]) -> Any:
        """Join the shares of the second look into one; their order must not matter to the bit."""
        raise NotImplementedError

    def settle(self, merged: Any, solution: Solution, site: SiteFacts) -> Solution:
        """Return the solution after the second look; the first one stays as it is."""
        raise NotImplementedError

    def run(self, points: Points, context: Context, solution: Solution | None = None) -> Delta:
        """Return the changed columns for the points given (those of the buffer are thrown away)."""
        raise NotImplementedError

    def canvas(self, site: SiteFacts) -> tuple[Canvas, ...]:
        """Return what rasters there will be, before any is drawn; asked of a resolved stage only."""
        raise NotImplementedError

    def draw(self, points: Points, context: Context, solution: Solution | None = None) -> Drawing:
        """Return the cells whose CENTRES lie in the block, from its points and its buffer.

        Called for every block if the stage ``draws``, with labels as ``run`` left them. The blocks are
        rectangles that partition the site's bounds, also where no points lie: a block may hold none and
        still have cells between points outside it. A block's cells make a rectangle, since its bounds are
        half-open (:func:`cells_of_block`). What the buffer can't settle is settled through
        ``context.fetch``: a cell must not depend on where blocks lie, to the bit.
        """
        raise NotImplementedError

    def finish(self, grids: Mapping[str, NDArray[Any]], shares: Sequence[Any], site: SiteFacts) -> Solution:
        """Return the raster products, figures and warnings once all blocks are drawn.

        ``grids`` holds the whole rasters by name; they may be written to. The order of the shares must not
        matter to the bit.
        """
        raise NotImplementedError

    def figures(self, moves: ClassMoves) -> dict[str, float | int]:
        """Return named figures from how many points went from which class to which."""
        del moves
        return {}


def cells_of_block(window: Window, block: Bounds, site: Bounds) -> Window:
    """Return the cells of a window whose centres lie in a block.

    Centres beyond the site's bounds (of cells that the bounds cut) count as lying on the edge, so that blocks
    which partition the bounds partition the cells.

    Parameters
    ----------
    window : Window
        The cells of the whole raster.
    block : Bounds
        A block, half-open.
    site : Bounds
        The bounds of the site.

    Returns
    -------
    Window
        A part of the window, maybe of no columns or no rows.
    """
    cell = window.lattice.cell
    c0, c1 = _centres_within(window.left, cell, window.columns, (block.x0, block.x1), (site.x0, site.x1))
    r0, r1 = _centres_within(window.bottom, cell, window.rows, (block.y0, block.y1), (site.y0, site.y1))
    return Window(window.lattice, window.column + c0, window.row + r0, c1 - c0, r1 - r0)


def _centres_within(
    edge: float, cell: float, count: int, block: tuple[float, float], site: tuple[float, float]
) -> tuple[int, int]:
    centres = edge + cell / 2 + np.arange(count) * cell
    centres = np.clip(centres, site[0], max(site[0], np.nextafter(site[1], -np.inf)))
    first, beyond = np.searchsorted(centres, block)
    return int(first), int(beyond)


class SiteBytes(NamedTuple):
    """Memory for the whole site, bytes.

    Parameters
    ----------
    held : int
        While blocks are worked on.
    solving : int
        At most while ``solve``, ``settle`` or ``finish`` is at work, what is held included.
    """

    held: int
    solving: int


def whole_cloud_context(site: SiteFacts, count: int, *, threads: int = 1) -> Context:
    """Return the context of a block that is the whole site (for tests and for direct use of a stage)."""

    def nothing_more(bounds: Bounds) -> Points:
        raise AssertionError(f"the whole cloud was given already, yet {bounds} was fetched")

    return Context(site, np.ones(count, bool), EVERYWHERE, EVERYWHERE, nothing_more, threads)
