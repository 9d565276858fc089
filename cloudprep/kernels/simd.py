"""Eight float64 lanes at a time, for kernels that would otherwise stay scalar.

Loops over eight values are not turned into vector instructions by themselves. The functions here work on a
value of eight lanes: called from plain Python they are NumPy one-liners (which is also what they mean, and
what runs where compilation is switched off); called from compiled code they become vector instructions.

Lanes must not hold NaN. No operation is fused with another, so compiled results equal NumPy's to the bit.
"""

from __future__ import annotations

import inspect
from typing import TYPE_CHECKING, Any

import numpy as np
from llvmlite import ir
from numba.core import cgutils, types
from numba.core.datamodel import models
from numba.extending import lower_builtin, register_model, type_callable

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

WIDTH = 8


# --- what the functions mean, and what runs without compilation ---


def load(values: NDArray[np.float64], at: int) -> NDArray[np.float64]:
    """Return eight values of a C-contiguous array (of any shape) from a flat index on."""
    return values.reshape(-1)[at : at + WIDTH].copy()


def store(values: NDArray[np.float64], at: int, lanes: NDArray[np.float64]) -> None:
    """Write eight lanes into a C-contiguous array (of any shape) from a flat index on."""
    values.reshape(-1)[at : at + WIDTH] = lanes


def spread(value: float) -> NDArray[np.float64]:
    """Return eight lanes of one value."""
    return np.full(WIDTH, value)


def minus(a: NDArray[np.float64], b: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return a - b lane by lane."""
    return a - b


def plus(a: NDArray[np.float64], b: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return a + b lane by lane."""
    return a + b


def squared(a: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return a * a lane by lane."""
    return a * a


def times(a: NDArray[np.float64], b: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return a * b lane by lane."""
    return a * b


def over(a: NDArray[np.float64], b: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return a / b lane by lane."""
    return a / b


def root(a: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the square root lane by lane."""
    return np.sqrt(a)


def smaller(a: NDArray[np.float64], b: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the smaller of a and b lane by lane."""
    return np.minimum(a, b)


def larger(a: NDArray[np.float64], b: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the larger of a and b lane by lane."""
    return np.maximum(a, b)


def below(a: NDArray[np.float64], b: NDArray[np.float64]) -> int:
    """Return a bit mask of the lanes in which a < b (lane 0 is the lowest bit)."""
    return int(np.packbits(a < b, bitorder="little")[0])


def where_below(
    a: NDArray[np.float64], b: NDArray[np.float64], value: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Return the value in lanes where a < b, 0 in the others."""
    return np.where(a < b, value, 0.0)


def pick_below(
    a: NDArray[np.float64], b: NDArray[np.float64], value: NDArray[np.float64], other: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Return the value in lanes where a < b, the other one elsewhere."""
    return np.where(a < b, value, other)


def largest(a: NDArray[np.float64]) -> float:
    """Return the largest lane."""
    return float(a.max())


def lowest_bit(mask: int) -> int:
    """Return the index of the lowest bit that is set; the mask must not be 0."""
    return (int(mask) & -int(mask)).bit_length() - 1


# --- the same in compiled code ---


class _LanesType(types.Type):
    """Type of a value of eight float64 lanes."""


_LANES: Any = _LanesType("lanes8")
# numba's own functions carry no types.
_lower_builtin: Any = lower_builtin
_cgutils: Any = cgutils
_F64 = ir.DoubleType()
_I32 = ir.IntType(32)
_I64 = ir.IntType(64)
_VECTOR = ir.VectorType(_F64, WIDTH)


@register_model(_LanesType)
class _LanesModel(models.PrimitiveModel):
    """Lanes live in one vector register (or as many as the machine needs)."""

    def __init__(self, dmm: Any, fe_type: Any) -> None:
        initialise: Any = super().__init__
        initialise(dmm, fe_type, _VECTOR)


def _compiled(function: Any, result: Any, *arguments: Any) -> Callable[[Any], Any]:
    """Return a decorator: what it decorates emits the instructions of a function above.

    Parameters
    ----------
    function : callable
        One of the functions above.
    result : numba type
        What it returns in compiled code.
    *arguments : numba type or class of types
        What it is called with in compiled code.
    """

    def type_of_call(*given: Any) -> Any:
        del given
        return result

    type_of_call.__signature__ = inspect.signature(function)  # type: ignore[attr-defined]
    type_callable(function)(lambda context: type_of_call)  # noqa: ARG005

    lowering: Callable[[Any], Any] = _lower_builtin(function, *arguments)
    return lowering


def _lanes_at(context: Any, builder: Any, array_type: Any, array: Any, at: Any) -> Any:
    """Return a pointer to eight values of an array."""
    data = context.make_array(array_type)(context, builder, array).data
    return builder.bitcast(builder.gep(data, [at]), _VECTOR.as_pointer())


def _shuffled(builder: Any, vector: Any, order: list[int]) -> Any:
    return builder.shuffle_vector(
        vector, ir.Constant(_VECTOR, ir.Undefined), ir.Constant(ir.VectorType(_I32, WIDTH), order)
    )


def _named(builder: Any, name: str, *args: Any) -> Any:
    """Call an instruction that the compiler knows by name."""
    kind = ir.FunctionType(_VECTOR, [_VECTOR] * len(args))
    function = _cgutils.get_or_insert_function(builder.module, kind, f"llvm.{name}.v{WIDTH}f64")
    # No NaN and no care for the sign of zero: only then are minnum and maxnum single instructions.
    return builder.call(function, args, fastmath=("nnan", "nsz"))


@_compiled(load, _LANES, types.Array, types.Integer)
def _load(context: Any, builder: Any, sig: Any, args: Any) -> Any:
    return builder.load(_lanes_at(context, builder, sig.args[0], *args), align=8)


@_compiled(store, types.none, types.Array, types.Integer, _LanesType)
def _store(context: Any, builder: Any, sig: Any, args: Any) -> Any:
    array, at, lanes = args
    builder.store(lanes, _lanes_at(context, builder, sig.args[0], array, at), align=8)
    return context.get_dummy_value()


@_compiled(spread, _LANES, types.Float)
def _spread(context: Any, builder: Any, sig: Any, args: Any) -> Any:
    del context, sig
    first = builder.insert_element(ir.Constant(_VECTOR, ir.Undefined), args[0], ir.Constant(_I32, 0))
    return _shuffled(builder, first, [0] * WIDTH)


@_compiled(minus, _LANES, _LanesType, _LanesType)
def _minus(context: Any, builder: Any, sig: Any, args: Any) -> Any:
    del context, sig
    return builder.fsub(*args)


@_compiled(plus, _LANES, _LanesType, _LanesType)
def _plus(context: Any, builder: Any, sig: Any, args: Any) -> Any:
    del context, sig
    return builder.fadd(*args)


@_compiled(squared, _LANES, _LanesType)
def _squared(context: Any, builder: Any, sig: Any, args: Any) -> Any:
    del context, sig
    return builder.fmul(args[0], args[0])


@_compiled(times, _LANES, _LanesType, _LanesType)
def _times(context: Any, builder: Any, sig: Any, args: Any) -> Any:
    del context, sig
    return builder.fmul(*args)


@_compiled(over, _LANES, _LanesType, _LanesType)
def _over(context: Any, builder: Any, sig: Any, args: Any) -> Any:
    del context, sig
    return builder.fdiv(*args)


@_compiled(root, _LANES, _LanesType)
def _root(context: Any, builder: Any, sig: Any, args: Any) -> Any:
    del context, sig
    return _named(builder, "sqrt", *args)


@_compiled(smaller, _LANES, _LanesType, _LanesType)
def _smaller(context: Any, builder: Any, sig: Any, args: Any) -> Any:
    del context, sig
    return _named(builder, "minnum", *args)


@_compiled(larger, _LANES, _LanesType, _LanesType)
def _larger(context: Any, builder: Any, sig: Any, args: Any) -> Any:
    del context, sig
    return _named(builder, "maxnum", *args)


@_compiled(below, types.int64, _LanesType, _LanesType)
def _below(context: Any, builder: Any, sig: Any, args: Any) -> Any:
    del context, sig
    return builder.zext(builder.bitcast(builder.fcmp_ordered("<", *args), ir.IntType(WIDTH)), _I64)


@_compiled(where_below, _LANES, _LanesType, _LanesType, _LanesType)
def _where_below(context: Any, builder: Any, sig: Any, args: Any) -> Any:
    del context, sig
    a, b, value = args
    return builder.select(builder.fcmp_ordered("<", a, b), value, ir.Constant(_VECTOR, [0.0] * WIDTH))


@_compiled(pick_below, _LANES, _LanesType, _LanesType, _LanesType, _LanesType)
def _pick_below(context: Any, builder: Any, sig: Any, args: Any) -> Any:
    del context, sig
    a, b, value, other = args
    return builder.select(builder.fcmp_ordered("<", a, b), value, other)


@_compiled(largest, types.float64, _LanesType)
def _largest(context: Any, builder: Any, sig: Any, args: Any) -> Any:
    del context, sig
    lanes = args[0]
    for by in (4, 2, 1):
        turned = _shuffled(builder, lanes, [(i + by) % WIDTH for i in range(WIDTH)])
        lanes = _named(builder, "maxnum", lanes, turned)
    return builder.extract_element(lanes, ir.Constant(_I32, 0))


@_compiled(lowest_bit, types.int64, types.Integer)
def _lowest_bit(context: Any, builder: Any, sig: Any, args: Any) -> Any:
    del context, sig
    return builder.cttz(args[0], ir.Constant(ir.IntType(1), 1))
