"""What the functions of :mod:`cloudprep.kernels.simd` become in compiled code: vector instructions."""

from __future__ import annotations

import inspect
from typing import TYPE_CHECKING, Any

from llvmlite import ir
from numba.core import cgutils, types
from numba.core.datamodel import models
from numba.extending import lower_builtin, register_model, type_callable

from cloudprep.kernels.simd import (
    WIDTH,
    below,
    bits_set,
    exchange_four,
    larger,
    largest,
    load,
    load_single,
    lowest_bit,
    minus,
    over,
    pick_below,
    pick_set,
    plus,
    root,
    smaller,
    spread,
    squared,
    store,
    times,
    where_below,
)

if TYPE_CHECKING:
    from collections.abc import Callable


class _LanesType(types.Type):
    """Type of a value of eight float64 lanes."""


_LANES: Any = _LanesType("lanes8")
# numba's own functions carry no types.
_lower_builtin: Any = lower_builtin
_cgutils: Any = cgutils
_F32 = ir.FloatType()
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


@_compiled(load_single, _LANES, types.Array, types.Integer)
def _load_single(context: Any, builder: Any, sig: Any, args: Any) -> Any:
    array, at = args
    data = context.make_array(sig.args[0])(context, builder, array).data
    singles = builder.bitcast(builder.gep(data, [at]), ir.VectorType(_F32, WIDTH).as_pointer())
    return builder.fpext(builder.load(singles, align=4), _VECTOR)


@_compiled(store, types.none, types.Array, types.Integer, _LanesType)
def _store(context: Any, builder: Any, sig: Any, args: Any) -> Any:
    array, at, lanes = args
    builder.store(lanes, _lanes_at(context, builder, sig.args[0], array, at), align=8)
    return context.get_dummy_value()


@_compiled(exchange_four, types.none, types.Array, types.Integer, types.Integer)
def _exchange_four(context: Any, builder: Any, sig: Any, args: Any) -> Any:
    data = context.make_array(sig.args[0])(context, builder, args[0]).data
    four = ir.VectorType(_F64, 4).as_pointer()
    a, b = (builder.bitcast(builder.gep(data, [at]), four) for at in args[1:])
    first, second = builder.load(a, align=8), builder.load(b, align=8)
    builder.store(second, a, align=8)
    builder.store(first, b, align=8)
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


@_compiled(pick_set, _LANES, types.Integer, _LanesType, _LanesType)
def _pick_set(context: Any, builder: Any, sig: Any, args: Any) -> Any:
    del context, sig
    mask, value, other = args
    bits = builder.bitcast(builder.trunc(mask, ir.IntType(WIDTH)), ir.VectorType(ir.IntType(1), WIDTH))
    return builder.select(bits, value, other)


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


@_compiled(bits_set, types.int64, types.Integer)
def _bits_set(context: Any, builder: Any, sig: Any, args: Any) -> Any:
    del context, sig
    return builder.ctpop(args[0])
