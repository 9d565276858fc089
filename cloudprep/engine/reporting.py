"""The report at the end of a run: its points come from the store, and a run is never lost by it."""

from __future__ import annotations

import logging
from importlib import import_module
from typing import TYPE_CHECKING, Any

from cloudprep.engine.closing import output_record
from cloudprep.io.atomic import sha256_of, whole_file

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping, Sequence
    from concurrent.futures import Executor
    from pathlib import Path

    import numpy as np
    from numpy.typing import NDArray

    from cloudprep.engine.area import Region
    from cloudprep.engine.loading import Units
    from cloudprep.engine.record import OutputRecord, RunRecord
    from cloudprep.engine.store import Store
    from cloudprep.model.bounds import Bounds
    from cloudprep.model.site import SiteFacts
    from cloudprep.reporting.page import FirstLook, Study
    from cloudprep.reporting.place import Place

REPORT_NAME = "report.html"
REPORT_COLUMNS = ("x", "y", "z", "classification", "ground_confidence", "intensity", "point_source_id")
"""What is read for a report, where it is there."""

_LOG = logging.getLogger(__name__)


class StorePoints:
    """The points of a run for its report, block by block.

    Parameters
    ----------
    store : Store
        With the labels as they are delivered.
    region : Region, optional
        Only what lies in it is delivered, and reported.
    flights : int
        Number of flights.
    origin : tuple of float
        Global coordinates of the local zero, m: what the region is given in.
    """

    def __init__(
        self, store: Store, region: Region | None, flights: int, origin: tuple[float, float]
    ) -> None:
        self._store = store
        self._region = region
        self._flights = flights
        self._origin = origin

    def pieces(self) -> Iterator[Mapping[str, NDArray[Any]]]:
        """Yield the points of each block."""
        for block in self._store.blocks:
            columns = dict(self._store.around(block, REPORT_COLUMNS, 0.0).points.as_dict())
            if self._flights > 1:
                columns["flight"] = self._store.flights_of(block)
            yield self._inside(columns)

    def within(self, boxes: Sequence[Bounds]) -> list[Mapping[str, NDArray[Any]]]:
        """Return the points in each of some rectangles."""
        return [
            self._inside(self._store.within(box, ("x", "y", "z", "classification")).as_dict())
            for box in boxes
        ]

    def _inside(self, columns: Mapping[str, NDArray[Any]]) -> Mapping[str, NDArray[Any]]:
        if self._region is None:
            return columns
        inside = self._region.holds(columns["x"] + self._origin[0], columns["y"] + self._origin[1])
        return columns if inside.all() else {name: values[inside] for name, values in columns.items()}


class Reporting:
    """Makes the report of a run, in two steps: what needs the points, then the page.

    Parameters
    ----------
    root : Path
        Folder of the run.
    name : str
        What the run is called.
    wanted : bool
        Whether there is to be one.
    warn : callable
        Told if there can't be one.
    """

    def __init__(self, root: Path, name: str, wanted: bool, warn: Callable[[str], None]) -> None:
        self.root = root
        self._name = name
        self._wanted = wanted
        self._warn = warn
        self._study: Study | None = None
        self._begun: Callable[[], tuple[StorePoints, Place, FirstLook | None]] | None = None
        if wanted:
            # What is loaded early is compiled ahead.
            import_module("cloudprep.kernels.report_cells")

    @property
    def columns(self) -> tuple[str, ...]:
        """Columns that it reads of the points; none if there is to be no report."""
        return REPORT_COLUMNS if self._wanted else ()

    def begin(
        self,
        store: Store,
        site: SiteFacts,
        units: Units,
        codes: NDArray[np.int64],
        *,
        region: Region | None,
        flights: int,
        cell: float | None,
        beside: Executor | None = None,
    ) -> None:
        """Look at the points, once their labels are as they will be delivered.

        Parameters
        ----------
        store, site, units : Store, SiteFacts, Units
            The run's.
        codes : ndarray of int64, shape (256,)
            Points of each class.
        region : Region, optional
            Only what lies in it is reported.
        flights : int
            Number of flights.
        cell : float, optional
            Cell of the rasters, m.
        beside : Executor, optional
            Looks at them while files are written; by default that is left to :meth:`study`.
        """
        if not self._wanted:
            return

        def work() -> tuple[StorePoints, Place, FirstLook | None]:
            from cloudprep.reporting.page import first_look  # noqa: PLC0415 - where a report is wanted
            from cloudprep.reporting.place import Place  # noqa: PLC0415

            place = Place(
                site.bounds,
                site.lowest,
                site.highest,
                site.spacing,
                site.origin,
                units.horizontal,
                units.vertical,
                codes,
                cell,
            )
            points = StorePoints(store, region, flights, site.origin)
            return points, place, None if beside is None else first_look(points, place)

        self._begun = work if beside is None else beside.submit(work).result

    def study(self, record: Callable[[], Mapping[str, Any]], *, threads: int = 1) -> None:
        """Look at what else there is to see while the points are there; :meth:`begin` comes before.

        Parameters
        ----------
        record : callable
            Gives what is known of the record: outputs, inputs, and the pipeline's output section.
        threads : int
            How many may be at work.
        """

        def work() -> None:
            from cloudprep.reporting.page import study  # noqa: PLC0415 - where a report is wanted

            assert self._begun is not None  # noqa: S101
            points, place, seen = self._begun()
            self._study = study(points, place, record(), self.root, threads=threads, seen=seen)

        if self._wanted:
            self._try(work)

    def write(self, record: RunRecord) -> list[OutputRecord]:
        """Write the page, and return what the record says of it."""
        made: list[OutputRecord] = []

        def work() -> None:
            from cloudprep.reporting.page import page  # noqa: PLC0415 - where a report is wanted

            assert self._study is not None  # noqa: S101
            html = page(self._study, record.model_dump(mode="json"), self._name)
            target = self.root / REPORT_NAME
            with whole_file(target) as part:
                part.write_text(html, encoding="utf-8")
            made.append(output_record(self.root, target, "report", sha256_of(target)))

        if self._study is not None:
            self._try(work)
        return made

    def _try(self, work: Callable[[], None]) -> None:
        try:
            work()
        except Exception as error:  # noqa: BLE001 - whatever it is, the run's results are there
            _LOG.debug("the report failed", exc_info=True)
            reason = " ".join(str(error).split()) or "no reason given"
            self._warn(f"the report could not be made ({type(error).__name__}: {reason[:200]})")
            self._study = None
