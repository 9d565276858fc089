"""How a run gets along with the memory it may use: in memory or on disk, and how large blocks are."""

from __future__ import annotations

import math
import os
import re
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from cloudprep.engine.addresses import bytes_within
from cloudprep.engine.products import raster_bytes
from cloudprep.engine.raster_memory import drawn_bytes
from cloudprep.engine.store import BLOCK_POINTS
from cloudprep.engine.working import extra_labels, held_during
from cloudprep.errors import UsageError
from cloudprep.model.columns import COLUMNS
from cloudprep.stages.base import SiteBytes
from cloudprep.stages.surface._cells import coarser_cell

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from cloudprep.model.site import SiteFacts
    from cloudprep.stages.base import Stage

# The interpreter with its libraries and the compiled kernels of one stage; those of every other; measured.
BASE_BYTES = 270_000_000
_KERNELS_OF_A_STAGE = 4_500_000
# What the end of a run takes, however large the site: the batch of records that is compressed, and the
# pictures of the report with the libraries that draw them; measured.
_WRITING_BYTES = 70_000_000
_REPORT_BYTES = 130_000_000
# What the C library keeps for itself where many threads come and go, measured: blocks in files are short.
_KEPT_IN_FILES = 40_000_000
# Share of the machine's memory that a run takes unless told otherwise.
_SHARE = 0.6
# Points of a block with its buffer, against those of the block alone.
_BUFFERED = 1.35
FEWEST_POINTS = 100_000
# A block in memory: so many points are worth a task, and it is so many times as wide as its buffer at least.
_FEWEST_AT_A_TIME = 500_000
_REACHES = 12.0
# Share of the memory that holds points while they are read into files.
_READING = 0.25

_UNITS = {"": 1, "k": 1e3, "m": 1e6, "g": 1e9, "t": 1e12, "ki": 2**10, "mi": 2**20, "gi": 2**30, "ti": 2**40}


def parse_bytes(text: str) -> int:
    """Return an amount of memory in bytes.

    Parameters
    ----------
    text : str
        A number with B, KB, MB, GB, TB (powers of 1000) or KiB ... TiB (of 1024), the B may be left out.

    Raises
    ------
    UsageError
        If it is something else, or nothing.

    Examples
    --------
    >>> parse_bytes("4GB"), parse_bytes("1.5 GiB")
    (4000000000, 1610612736)
    """
    match = re.fullmatch(r"\s*([0-9]*\.?[0-9]+)\s*([kmgt]i?|)b?\s*", text.lower())
    if match is None or float(match[1]) <= 0:
        raise UsageError(f"'{text}' is no amount of memory: give a number with MB or GB, such as 4GB")
    return int(float(match[1]) * _UNITS[match[2]])


def default_memory() -> int:
    """Return the memory that a run may use unless told: a share of the machine's, or of its container's.

    A limit on the addresses of this process is its own: it shares that with nobody.
    """
    total = os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES")
    for path in ("/sys/fs/cgroup/memory.max", "/sys/fs/cgroup/memory/memory.limit_in_bytes"):
        try:
            text = Path(path).read_text(encoding="ascii").strip()
        except OSError:
            continue
        if text.isdigit():
            total = min(total, int(text))
    return bytes_within(share_of(total))


def share_of(total: int) -> int:
    """Return how much of a memory a run takes unless told, bytes."""
    return int(_SHARE * total)


@dataclass(frozen=True)
class MemoryPlan:
    """Where the points are held, and how many at a time.

    Parameters
    ----------
    limit : int
        Memory that the run may use, bytes.
    on_disk : bool
        Whether points are held in files.
    block_points : int
        Points in a block at most.
    expected : int
        Memory that the run will take, bytes.
    scratch : int
        Room for files, bytes; 0 in memory.
    reading_points : int
        Points held at a time while they are read into files.
    most_points : int
        Points of a block that can be worked on at all, one block at a time.
    """

    limit: int
    on_disk: bool
    block_points: int
    expected: int
    scratch: int
    reading_points: int
    most_points: int = 0


def ending_bytes(*, clouds: bool, report: bool) -> int:
    """Return what the end of a run takes beside what is held, bytes.

    Parameters
    ----------
    clouds, report : bool
        Whether it delivers clouds, and makes a report.
    """
    return max(_WRITING_BYTES if clouds else 0, _REPORT_BYTES if report else 0)


def plan_memory(
    stages: Sequence[Stage],
    site: SiteFacts,
    columns: Sequence[str],
    *,
    limit: int,
    workers: int,
    processes: int = 1,
    shared: bool = False,
    measured: bool = True,
    ending: int = 0,
) -> MemoryPlan:
    """Decide how the points of a site are held.

    Parameters
    ----------
    stages : sequence of Stage
        Resolved.
    site : SiteFacts
        Of the headers, or measured.
    columns : sequence of str
        Columns that are read.
    limit : int
        Memory that may be used, bytes.
    workers : int
        Blocks at a time in a process.
    processes : int
        Processes that share the memory: one that reads and solves, the others do blocks.
    shared : bool
        Whether other processes work on the blocks, so that points must be in files.
    measured : bool
        Whether the site was measured: headers may be wrong, so they are never a reason to refuse.
    ending : int
        Bytes that the end of the run takes (:func:`ending_bytes`).

    Raises
    ------
    UsageError
        If the memory is too little for the site's rasters and a small block.
    """
    base = BASE_BYTES + _KERNELS_OF_A_STAGE * max(0, len(stages) - 1)
    drawn = drawn_bytes(stages, site)
    sites = _site_bytes(stages, site, in_files=False)
    width = _width({"x", "y", "z", *columns, *extra_labels(stages)})
    during = [_width(names) for names in held_during(stages)]
    together = block_points_in_memory(stages, site)
    # A site of one block has no buffer.
    at_work = site.count if site.count <= together else min(site.count, int(workers * together * _BUFFERED))
    needs = [s.bytes_per_point * at_work + w * site.count for s, w in zip(stages, during, strict=True)] or [0]
    whole = base + max(
        max(one.held + need + drawing, one.solving)
        for one, need, drawing in zip(sites, needs, drawn.drawing or (0,), strict=True)
    )
    if workers > 1 and any(s.draws for s in stages[:-1]):  # a file is made while the next stage works
        whole += drawn.delivering + drawn.largest
    whole = max(whole, base + max(one.held for one in sites) + drawn.delivering, base + ending)
    whole += site.count * (width + 12)
    if whole <= limit and not shared:
        return MemoryPlan(limit, False, together, whole, 0, 0)
    base += _KEPT_IN_FILES
    share = limit // processes
    sites = _site_bytes(stages, site, in_files=True)
    solving = max(one.solving for one in sites)
    # What each stage leaves for blocks, in points.
    left = [
        int((share - base - one.held - workers * drawing) / (_BUFFERED * _of_block(stage)))
        for one, stage, drawing in zip(sites, stages, drawn.drawing, strict=False)
    ]
    most = min(left, default=site.count)
    points = min(BLOCK_POINTS, most // workers, max(site.count, 1))
    if not measured:
        points = max(points, min(FEWEST_POINTS, site.count))
    if points < min(FEWEST_POINTS, site.count) or (measured and share < base + solving):
        blocks = (
            workers * (_BUFFERED * FEWEST_POINTS * _of_block(stage) + drawing)
            for stage, drawing in zip(stages, drawn.drawing, strict=True)
        )
        needed = max(solving, *(one.held + n for one, n in zip(sites, blocks, strict=False)))
        least = processes * (base + needed)
        workers *= max(1, processes - 1)
        raise UsageError(
            f"--memory {limit / 1e9:.2f} GB is too little for this site with {workers} workers: "
            f"its rasters take {solving / 1e9:.2f} GB, at least {least / 1e9:.2f} GB are needed "
            f"(fewer --workers need less{_coarser(stages, sites, share - base)})"
        )
    a_row = 16 + width + 8
    reading = max(1, min(int(_READING * (share - base)) // a_row, site.count))
    # Blocks hold three quarters of the most on average, which makes up for their buffers.
    expected = base + max(
        solving,
        reading * (2 * a_row),
        max(one.held for one in sites) + drawn.delivering_on_disk,
        ending,
        *(
            one.held + workers * (points * _of_block(stage) + drawing)
            for one, stage, drawing in zip(sites, stages, drawn.drawing, strict=False)
        ),
    )
    # Labels are there twice while they are exchanged; columns that stages make come on top. Rasters come
    # late, when only what was read is there.
    scratch = max(
        site.count * _row_on_disk(width, stages),
        site.count * (width - 12 + 4) + drawn.arrays + drawn.finishing,
    )
    return MemoryPlan(limit, True, points, processes * expected, scratch, reading, most)


def _site_bytes(stages: Sequence[Stage], site: SiteFacts, *, in_files: bool) -> list[SiteBytes]:
    """Return what each stage takes for the whole site, rasters of earlier stages included."""
    return [
        SiteBytes(one.held + held, max(one.solving, working) + held)
        for one, (held, working) in zip(
            (stage.site_bytes(site) for stage in stages),
            raster_bytes(stages, site, in_files=in_files),
            strict=True,
        )
    ] or [SiteBytes(0, 0)]


def _coarser(stages: Sequence[Stage], sites: Sequence[SiteBytes], room: int) -> str:
    """Name a cell whose rasters leave half of the room to points, where rasters are what is too large."""
    largest = max(range(len(stages)), key=lambda k: sites[k].solving, default=None)
    if largest is None:
        return ""
    cell, taken = getattr(stages[largest].params, "cell", None), sites[largest].solving
    if cell is None or not stages[largest].draws or 2 * taken <= room or room <= 0:
        return ""
    return f"; so does a coarser 'cell' of {stages[largest].name}: {coarser_cell(cell, 2 * taken / room):g} m"


def block_points_in_memory(stages: Sequence[Stage], site: SiteFacts) -> int:
    """Return how many points a block holds at most where all points are in memory.

    Small ones leave something for every worker, take less memory at a time and stay in the cache for longer;
    too small ones would consist of their buffers.

    Parameters
    ----------
    stages : sequence of Stage
        Resolved.
    site : SiteFacts
        For the point spacing.
    """
    reach = max((stage.reach() for stage in stages), default=0.0)
    return min(BLOCK_POINTS, max(_FEWEST_AT_A_TIME, math.ceil((_REACHES * reach / site.spacing) ** 2)))


def _of_block(stage: Stage) -> int:
    """Return the bytes that a point of a block takes while a stage works on it."""
    return stage.bytes_per_point + _width({*stage.needs, *stage.uses, *stage.provides, "classification"})


def _row_on_disk(width: int, stages: Sequence[Stage]) -> int:
    """Return the bytes that a point takes in files at most: raw coordinates are half as wide as metres."""
    given = width - 12 + 4  # the row
    most = given
    for stage, held in zip(stages, held_during(stages), strict=True):
        working = _width(held)
        # What a stage gives is there beside what it replaces.
        twice = _width(n for n in stage.provides if n not in held)
        most = max(most, given + working + twice + (4 if stage.summarises and stage.provides else 0))
    return most


def _width(names: Iterable[str]) -> int:
    return sum(COLUMNS[name].dtype.itemsize for name in names)


def resolved_roughly(stages: Sequence[Stage], site: SiteFacts) -> list[Stage]:
    """Return stages resolved on what headers tell; one that refuses such a site stays as it is."""
    resolved = []
    for stage in stages:
        try:
            resolved.append(stage.resolved(site))
        except UsageError:  # a header may be wrong: the site as measured decides
            resolved.append(stage)
    return resolved
