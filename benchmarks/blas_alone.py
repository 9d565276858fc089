"""NumPy and SciPy with one thread for linear algebra: to be imported before them.

SciPy's interpolator solves a small system of equations for every triangle. With several threads its linear
algebra waits each time for those that have nothing to do: on a busy machine that took ten times as long, in
CPU time too, and ratios against it told nothing. Both read the variable when they are loaded; processes that
are started from here don't see it.
"""

from __future__ import annotations

import os

_VARIABLE = "OPENBLAS_NUM_THREADS"
_given = os.environ.get(_VARIABLE)
os.environ[_VARIABLE] = "1"

import numpy  # noqa: E402, ICN001, F401
import scipy.linalg  # noqa: E402, F401

if _given is None:
    del os.environ[_VARIABLE]
else:
    os.environ[_VARIABLE] = _given
