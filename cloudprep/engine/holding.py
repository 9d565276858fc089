"""Where the points of a run are held: in memory where they fit, else in files."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Protocol

from cloudprep.engine.gathering import gather, label_spilled_stray
from cloudprep.engine.loading import load_flight, site_origin
from cloudprep.engine.memory import FEWEST_POINTS, block_points_in_memory, plan_memory
from cloudprep.engine.scratch import ColumnFiles
from cloudprep.engine.sitefacts import measure_spilled
from cloudprep.engine.spilling import LEAVES_PER_BLOCK, Spiller
from cloudprep.errors import UsageError
from cloudprep.model.columns import RUN_COLUMNS

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from pathlib import Path

    from cloudprep.engine.area import Region
    from cloudprep.engine.executor import Crew
    from cloudprep.engine.loading import LoadedFlight, Units
    from cloudprep.engine.memory import MemoryPlan
    from cloudprep.engine.outline import Outline
    from cloudprep.engine.point_counts import PointCounts
    from cloudprep.engine.spilling import Spilled
    from cloudprep.engine.store import Store
    from cloudprep.io.las import Flight, KeptRecords, Shelf
    from cloudprep.model.bounds import Bounds
    from cloudprep.model.site import SiteFacts
    from cloudprep.stages.base import Stage


class ReadFlight(Protocol):
    """What is known of a flight once it was read."""

    @property
    def extent(self) -> Bounds:
        """Extent without stray points, global metres."""

    @property
    def stray_count(self) -> int:
        """Points at absurd coordinates."""

    @property
    def beyond_count(self) -> int:
        """Other points beyond the area of the run."""

    @property
    def outline(self) -> Outline | None:
        """The ground that its points lie on."""

    @property
    def counts(self) -> PointCounts:
        """Counts of all its points."""

    @property
    def kept(self) -> KeptRecords | None:
        """Its records, where they are kept."""


class Holder(Protocol):
    """Takes the flights of a run one after the other and makes one store of them."""

    def read(self, flight: Flight, units: Units, advance: Callable[[int], None]) -> ReadFlight:
        """Read a flight; where that fails, nothing of it stays."""

    def finish(self, columns: frozenset[str]) -> tuple[Store, SiteFacts]:
        """Return the store of all flights that were read, cut into blocks, and the facts about the site."""


class InMemory:
    """Holds all points in memory.

    Parameters
    ----------
    names : sequence of str
        Columns to hold: read where a flight carries them, and those that the run knows by itself.
    block_edge : float, optional
        Edge of a block, m; by default blocks are small where buffers allow it.
    stages : sequence of Stage
        Not yet resolved: the size of blocks follows from how far they reach.
    workers : int
        Threads to use.
    area : Region, optional
        What lies beyond it is used for nothing.
    keep : Shelf, optional
        For the records of compressed flights, so that these are decompressed only once.
    """

    def __init__(
        self,
        names: Sequence[str],
        block_edge: float | None = None,
        stages: Sequence[Stage] = (),
        *,
        workers: int = 1,
        area: Region | None = None,
        keep: Shelf | None = None,
    ) -> None:
        self._names = names
        self._area = area
        self._keep = keep
        self._edge = block_edge
        self._stages = stages
        self._workers = workers
        self._loaded: list[LoadedFlight] = []

    def read(self, flight: Flight, units: Units, advance: Callable[[int], None]) -> ReadFlight:
        """Read a flight."""
        loaded = load_flight(
            flight, units, self._names, advance, self._area, keep=self._keep, threads=self._workers
        )
        self._loaded.append(loaded)
        return _Seen(loaded)

    def finish(self, columns: frozenset[str]) -> tuple[Store, SiteFacts]:
        """Return the store; it takes over the columns of the flights."""
        store, site = gather(self._loaded, columns, numbered="flight" in self._names, threads=self._workers)
        most = block_points_in_memory([stage.resolved(site) for stage in self._stages], site)
        store.cut(site, self._edge, most, threads=self._workers)
        return store, site


class _Seen:
    """What is kept of a flight whose columns the store takes over."""

    def __init__(self, loaded: LoadedFlight) -> None:
        self.extent = loaded.extent
        self.stray_count = loaded.stray_count
        self.beyond_count = loaded.beyond_count
        self.outline = loaded.outline
        self.counts = loaded.counts
        self.kept = loaded.kept


class OnDisk:
    """Holds all points in files.

    Parameters
    ----------
    names : sequence of str
        Columns to hold: every flight carries them, or the run knows them by itself.
    folder : Path
        For the files.
    plan : MemoryPlan
        How much may be held at a time.
    stages : sequence of Stage
        Not yet resolved: the size of blocks follows from what they need on the site as measured.
    crew : Crew
        Who works on the blocks.
    spacing : float
        Guess of the point spacing, m.
    block_points : int, optional
        Points in a block, if not by the plan.
    area : Region, optional
        What lies beyond it is used for nothing.
    """

    def __init__(
        self,
        names: Sequence[str],
        folder: Path,
        plan: MemoryPlan,
        stages: Sequence[Stage],
        *,
        crew: Crew,
        spacing: float,
        block_points: int | None = None,
        area: Region | None = None,
    ) -> None:
        self._names = names
        self._plan = plan
        self._stages = stages
        self._crew = crew
        self._block_points = block_points
        self._resolution = math.inf
        leaf = max(1, (block_points or plan.block_points) // LEAVES_PER_BLOCK)
        read = [name for name in names if name not in RUN_COLUMNS]
        self._spiller = Spiller(
            ColumnFiles(folder), read, leaf_points=leaf, buffer_points=plan.reading_points, area=area
        )
        self._spiller.plan_leaves(spacing)

    def read(self, flight: Flight, units: Units, advance: Callable[[int], None]) -> Spilled:
        """Read a flight."""
        spilled = self._spiller.add(flight, units, advance)
        self._resolution = min(self._resolution, min(flight.scales[:2]) * units.horizontal)
        return spilled

    def finish(self, columns: frozenset[str]) -> tuple[Store, SiteFacts]:
        """Return the store.

        Raises
        ------
        UsageError
            If the memory is too little for the site.
        """
        flights = self._spiller.flights
        origin = site_origin([f.extent for f in flights])
        store = self._spiller.store(origin, self._plan.reading_points)
        site = measure_spilled(store, flights, resolution=self._resolution, columns=columns)
        label_spilled_stray(store, site)
        stages = [stage.resolved(site) for stage in self._stages]
        plan = plan_memory(
            stages,
            site,
            self._names,
            limit=self._plan.limit,
            workers=self._crew.at_a_time,
            processes=self._crew.processes,
            shared=True,
        )
        # One thread does a block elsewhere: there is something for each.
        fair = math.ceil(site.count / self._crew.workers) if self._crew.elsewhere else site.count
        store.cut(self._block_points or min(plan.block_points, max(fair, FEWEST_POINTS)))
        refuse_crowds(store, plan)
        return store, site


def refuse_crowds(store: Store, plan: MemoryPlan) -> None:
    """Refuse a site where more points lie in one place than can be worked on.

    Raises
    ------
    UsageError
        With the place.
    """
    block = max(store.blocks, key=lambda b: b.count)
    if block.count > max(plan.most_points, FEWEST_POINTS):
        b = block.bounds
        raise UsageError(
            f"{block.count:,} points lie within {b.width:.2f} x {b.height:.2f} m, more than --memory "
            f"{plan.limit / 1e9:.2f} GB holds at a time ({plan.most_points:,}): are coordinates lost there?"
        )
