"""Arrays that lie in files: what was read or written of them needn't stay in memory."""

from __future__ import annotations

import mmap
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from numpy.typing import NDArray


def let_go(values: NDArray[Any]) -> None:
    """Give the memory of an array back to the system, where the array is mapped from a file.

    The values stay what they are: what was written is in the file's pages, and is read again from there when
    it is wanted. Other arrays are left alone.

    Parameters
    ----------
    values : ndarray
        Any array; of a part of a mapped one, the whole is let go of.
    """
    base: object = values
    while base is not None:
        if isinstance(base, mmap.mmap):
            if hasattr(mmap, "MADV_DONTNEED"):
                base.madvise(mmap.MADV_DONTNEED)
            return
        base = base.obj if isinstance(base, memoryview) else getattr(base, "base", None)


def is_mapped(values: NDArray[Any]) -> bool:
    """Tell whether an array lies in a file."""
    base: object = values
    while base is not None and not isinstance(base, mmap.mmap):
        base = base.obj if isinstance(base, memoryview) else getattr(base, "base", None)
    return base is not None
