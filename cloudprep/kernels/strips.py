"""Work on a raster strip by strip: short ones, so that what is worked out on the way stays in the cache."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable

# Cells of a strip: a dozen rasters of them in float64 fit a core's own cache.
CELLS = 32_768


def in_strips(
    work: Callable[[slice], object], shape: tuple[int, int], threads: int, *, cells: int = CELLS
) -> None:
    """Call ``work`` with each strip of rows, in several threads if told so.

    Parameters
    ----------
    work : callable
        Is given rows of the raster; which strip a row falls into must not matter.
    shape : tuple of int
        Rows and columns.
    threads : int
        Threads to use.
    cells : int
        Cells of a strip, about; at least one row.

    Examples
    --------
    >>> in_strips(print, (5, 10), 1, cells=20)
    slice(0, 2, None)
    slice(2, 4, None)
    slice(4, 5, None)
    """
    rows, columns = shape
    step = max(1, cells // max(columns, 1))
    strips = [slice(first, min(first + step, rows)) for first in range(0, rows, step)]
    if threads <= 1 or len(strips) <= 1:
        for strip in strips:
            work(strip)
        return
    with ThreadPoolExecutor(min(threads, len(strips))) as pool:
        for done in [pool.submit(work, strip) for strip in strips]:
            done.result()
