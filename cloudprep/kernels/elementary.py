"""Logarithms, exponentials and the error function of many numbers, quicker than one at a time.

Only additions, multiplications, divisions and whole numbers, so that the compiler makes vector instructions
of the loops, and the results are the same wherever they are run. They are right to 1 part in 10^10.
"""

from __future__ import annotations

import math

import numpy as np

from cloudprep.kernels.compiling import njit

_LN2 = math.log(2.0)
# Bits of the square root of a half: numbers are split into powers of two and parts from there to twice that.
_ROOT_BITS = int(np.float64(math.sqrt(0.5)).view(np.int64))
_FRACTION = 52
_BIAS = 1023
# Adding it rounds to whole numbers, and leaves these in the lowest bits.
_ROUND = 1.5 * 2.0**_FRACTION
_ROUND_BITS = int(np.float64(_ROUND).view(np.int64))
_LEAST = -700.0

ERF_STEPS = 64
_NODES = np.arange(6 * ERF_STEPS + 1) / ERF_STEPS
ERF = np.array([math.erf(x) for x in _NODES])
"""The error function at multiples of 1/64 up to 6."""
ERF_SLOPE = 2.0 / math.sqrt(math.pi) / ERF_STEPS * np.exp(-(_NODES**2))
"""Its slope there, a step of 1/64."""


@njit(nogil=True, cache=True, error_model="numpy")
def take_logarithms(values):  # type: ignore[no-untyped-def]
    """Replace positive (and normal) numbers by their natural logarithms; 0 by less than -700.

    Parameters
    ----------
    values : ndarray of float64, shape (n,)
        Changed in place.
    """
    bits = values.view(np.int64)
    power = np.empty(len(values))
    for i in range(len(values)):
        whole = (bits[i] - _ROOT_BITS) >> _FRACTION
        power[i] = whole
        bits[i] -= whole << _FRACTION
    for i in range(len(values)):
        # log(m) = 2 atanh((m - 1) / (m + 1)); its series, |s| < 0.172.
        s = (values[i] - 1.0) / (values[i] + 1.0)
        t = s * s
        series = 1.0 + t * (1 / 3 + t * (1 / 5 + t * (1 / 7 + t * (1 / 9 + t * (1 / 11 + t * (1 / 13))))))
        values[i] = power[i] * _LN2 + 2.0 * s * series


@njit(nogil=True, cache=True, error_model="numpy")
def take_exponentials(values):  # type: ignore[no-untyped-def]
    """Replace numbers up to 700 by their exponentials; what lies below -700 counts as -700.

    Parameters
    ----------
    values : ndarray of float64, shape (n,)
        Changed in place.
    """
    bits = values.view(np.int64)
    part = np.empty(len(values))
    for i in range(len(values)):
        x = max(values[i], _LEAST) * (1.0 / _LN2)
        rounded = x + _ROUND
        part[i] = (x - (rounded - _ROUND)) * _LN2
        values[i] = rounded
    for i in range(len(values)):
        bits[i] = (bits[i] - (_ROUND_BITS - _BIAS)) << _FRACTION
    for i in range(len(values)):
        y = part[i]
        # The series of the exponential, |y| < 0.347.
        series = 1 / 120 + y * (1 / 720 + y * (1 / 5040 + y * (1 / 40320 + y * (1 / 362880))))
        values[i] *= 1.0 + y * (1.0 + y * (1 / 2 + y * (1 / 6 + y * (1 / 24 + y * series))))
