"""Whether kernels are compiled, and the one decorator through which all of them are.

Compiled code is what makes the kernels fast, and nothing else: a kernel that isn't compiled is run as the
plain Python loop it is written as. Where that would take hopelessly long, the public function calls its twin
of the same name in :mod:`cloudprep.kernels.plain`, which is NumPy and SciPy.

Switched off by the environment variable ``CLOUDPREP_COMPILED=0``, by numba's own ``NUMBA_DISABLE_JIT=1``, and
where numba can't be loaded. It is settled when this module is first imported; compiled kernels are numba's
own, kept on disk by it as ever.
"""

from __future__ import annotations

import functools
import os
import threading
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["COMPILED", "VARIABLE", "WAY_OUT", "WHY_NOT", "njit", "read_only", "what_it_means"]

VARIABLE = "CLOUDPREP_COMPILED"
# Measured, stage by stage of bare_earth, on 24,000 points of the demo site.
_SLOWER = "2 to 80"
_OFF = ("0", "no", "off", "false")


def _found() -> tuple[Any, str, str]:
    """Return numba's decorator; or None, why there is none, and the way out."""
    if os.environ.get(VARIABLE, "1").strip().lower() in _OFF:
        return None, f"{VARIABLE}={os.environ[VARIABLE]}", f"unset {VARIABLE}"
    try:
        import numba  # noqa: PLC0415 - not where it is switched off
    except Exception as error:  # noqa: BLE001 - it fails with whatever its own compiler's library fails with
        return None, " ".join(f"numba can't be loaded: {error}".split())[:200], "install numba anew"
    if getattr(numba.config, "DISABLE_JIT", 0):
        return None, "NUMBA_DISABLE_JIT=1", "unset NUMBA_DISABLE_JIT"
    return numba.njit, "", ""


_numba, WHY_NOT, WAY_OUT = _found()
COMPILED: bool = _numba is not None


def what_it_means() -> str:
    """Return one line on compiled code being off, or nothing where it is on."""
    if COMPILED:
        return ""
    return f"compiled code is off ({WHY_NOT}): results are the same, but stages take {_SLOWER} times as long"


def read_only(values: NDArray[Any]) -> NDArray[Any]:
    """Return an array as one that can't be written to: kernels are compiled for either kind apart.

    Of an argument that is sometimes the one and sometimes the other, and only read, the compiler then sees
    one kind.
    """
    view = values.view()
    view.flags.writeable = False
    return view


if TYPE_CHECKING:
    from numba import njit  # what carries no types leaves those of the kernels alone
else:

    def njit(**options):
        """Return numba's decorator with these options, or one that leaves functions as they are."""
        if _numba is None:
            return _interpreted
        return _numba(no_cfunc_wrapper=True, **options)  # of a second entry, for C, that nothing uses


_inside = threading.local()


def _interpreted(function: Any) -> Any:
    """Return a kernel that runs as plain Python, and as silent about 0 / 0 and the like as compiled code."""

    @functools.wraps(function)
    def run(*arguments: Any, **named: Any) -> Any:
        if getattr(_inside, "a_kernel", False):  # setting NumPy's manners takes longer than many a kernel
            return function(*arguments, **named)
        _inside.a_kernel = True
        try:
            with np.errstate(all="ignore"):
                return function(*arguments, **named)
        finally:
            _inside.a_kernel = False

    return run
