"""Joins the flights of a run into one store, in source order, and measures the site."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np

from cloudprep.engine.loading import local_metres, site_origin
from cloudprep.engine.sitefacts import measure_site
from cloudprep.engine.store_memory import MemoryStore
from cloudprep.engine.store_spilled import Ranges
from cloudprep.model.classes import ClassCode
from cloudprep.model.columns import COLUMNS

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from cloudprep.engine.loading import LoadedFlight
    from cloudprep.engine.store_spilled import SpilledStore
    from cloudprep.model.site import SiteFacts


def gather(
    flights: list[LoadedFlight], columns: frozenset[str], *, numbered: bool = False, threads: int = 1
) -> tuple[MemoryStore, SiteFacts]:
    """Return one store of all flights, one after the other, and the facts about the site.

    Parameters
    ----------
    flights : list of LoadedFlight
        At least one; emptied on the way, so that no flight is held twice for longer than need be.
    columns : frozenset of str
        Columns that every flight carries.
    numbered : bool
        Whether the column ``flight`` is wanted.
    threads : int
        Threads to use.

    Returns
    -------
    store : MemoryStore
        Stray points in it are labelled noise.
    site : SiteFacts
        Measured without them.
    """
    origin = site_origin([f.extent for f in flights])
    total = sum(f.flight.count for f in flights)
    joined: dict[str, NDArray[Any]] = {axis: np.empty(total) for axis in "xyz"}
    stray, beyond = np.zeros(total, bool), np.zeros(total, bool)
    names = [n for n in flights[0].columns if n not in "XYZ"]
    alone = len(flights) == 1
    for name in names:
        # A single flight's columns are those of the site.
        values = flights[0].columns[name]
        joined[name] = values if alone else np.empty(total, values.dtype)
    resolution = min(min(f.flight.scales[:2]) * f.units.horizontal for f in flights)
    flight_rows: list[slice] = []
    start = 0
    while flights:
        one = flights.pop(0)
        rows = slice(start, start + one.flight.count)
        start = rows.stop
        flight_rows.append(rows)
        with ThreadPoolExecutor(threads) as pool:
            outs = [joined[axis][rows] for axis in "xyz"]
            list(pool.map(partial(local_metres, one, origin=origin), range(3), outs))
        for name in () if alone else names:
            joined[name][rows] = one.columns[name]
        if one.stray is not None:
            stray[rows] = one.stray
        if one.beyond is not None:
            beyond[rows] = one.beyond
        del one
    joined.setdefault("withheld", np.zeros(total, bool))
    if numbered:
        sizes = [rows.stop - rows.start for rows in flight_rows]
        joined["flight"] = np.repeat(np.arange(len(sizes), dtype=COLUMNS["flight"].dtype), sizes)
    unused = stray | beyond
    store = MemoryStore(
        joined, unused if unused.any() else None, flight_rows, beyond if beyond.any() else None
    )
    site = measure_site(store, origin=origin, resolution=resolution, columns=columns)
    _label_stray(store, stray, site)
    return store, site


def _label_stray(store: MemoryStore, stray: NDArray[np.bool_], site: SiteFacts) -> None:
    """Label stray points: high noise above the middle of the site's heights, else low noise."""
    if not stray.any():
        return
    labels = stray_labels(store.columns["z"], site)
    changed = store.columns["classification"].copy()
    changed[stray] = labels[stray]
    store.columns["classification"] = changed


def stray_labels(z: NDArray[np.float64], site: SiteFacts) -> NDArray[np.uint8]:
    """Return the class of stray points at heights z: high noise above the middle of the site, else low."""
    middle = (site.lowest + site.highest) / 2
    return np.where(z > middle, ClassCode.HIGH_NOISE, ClassCode.LOW_NOISE).astype(np.uint8)


def label_spilled_stray(store: SpilledStore, site: SiteFacts) -> None:
    """Label stray points of a store on disk; nobody else works on it yet."""
    file, _ = store.columns["classification"]
    places = zip(
        store.stray.start.tolist(), store.stray.stop.tolist(), store.stray.flight.tolist(), strict=True
    )
    for start, stop, flight in places:
        z = store.column("z", Ranges(*(np.array([v]) for v in (start, stop, flight))))
        store.files.write(file, start, stray_labels(z, site))
