"""Spares numba's compiler work in the processes that compile ahead; what it makes stays the same.

Two things take much of its time. It asks again what it has settled: which of some dozen ways an operator
or a function of its own takes for such types, with all its switches compared one by one each time. And it
makes machine code, and an entry for Python, of functions that only other kernels call: those take them in
as what the compiler reads, and code of their own is never run.

What is kept without code is kept under another key than numba's own, which only helpers look for: whoever
calls such a function from Python nevertheless finds none and compiles it, as ever.

All this reaches into numba and is done for releases of it that were tried, and with others left alone: then
the first run takes longer.
"""

# ruff: noqa: SLF001 - there is no public way
from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

import llvmlite.binding
import numba
from numba.core import caching, codegen, cpu, ir, lowering, targetconfig, typed_passes
from numba.core.types import functions

if TYPE_CHECKING:
    from collections.abc import Collection

__all__ = ["TRIED", "spare_work"]

TRIED = ((0, 68),)


def spare_work(inner: Collection[tuple[str, str]]) -> bool:
    """Have numba do without the work, from now on and in this whole process.

    Parameters
    ----------
    inner : collection of tuple of str
        Module and name of kernels that are called by kernels alone.

    Returns
    -------
    bool
        Whether this release of numba is one of those that were tried.
    """
    if tuple(numba.version_info.short) not in TRIED:
        return False
    _compare_switches_at_once()
    _remember_what_is_settled()
    _find_variables_quickly()
    _make_no_code_of(frozenset(inner))
    return True


def _compare_switches_at_once() -> None:
    """Compare flags by what was set; numba's own hash is one and the same for all."""
    config: Any = targetconfig.TargetConfig

    def equal(self: Any, other: Any) -> Any:
        if self is other:
            return True
        if not isinstance(other, config):
            return NotImplemented
        if type(self) is type(other) and self._values == other._values:
            return True
        return self.values() == other.values()

    def hashed(self: Any) -> int:
        options = self.options
        return hash(tuple(sorted(n for n, v in self._values.items() if v != options[n].default)))

    config.__eq__ = equal
    config.__hash__ = hashed


def _remember_what_is_settled() -> None:
    """Look up what a function returns for such arguments under such flags once only."""
    function: Any = functions.BaseFunction
    look_up = function.get_call_type
    stack: Any = targetconfig.ConfigStack
    known: dict[Any, tuple[Any, Any]] = {}

    def get_call_type(self: Any, context: Any, args: Any, kws: Any) -> Any:
        flags = stack.top_or_none()
        key = (id(self), id(context), tuple(args), tuple(kws.items()), flags)
        found = known.get(key)
        if found is None:
            settled = look_up(self, context, args, kws)
            # Flags are changed in place; and the function is kept, so that none else gets its number.
            found = known[*key[:-1], flags and flags.copy()] = (settled, (self, context))
        return found[0]

    function.get_call_type = get_call_type


def _find_variables_quickly() -> None:
    """Tell the commonest kinds of what an instruction holds by their very class."""
    variable: Any = ir.Var
    instruction: Any = ir.Inst
    nothing = frozenset((str, int, float, bool, type(None), ir.Loc))

    def variables_of(self: Any, value: Any) -> list[Any]:
        if type(value) is dict:  # what an instruction holds
            value = value.values()
        elif isinstance(value, variable):
            return [value]
        elif isinstance(value, instruction):
            listed: list[Any] = value.list_vars()
            return listed
        elif isinstance(value, dict):
            value = value.values()
        elif not isinstance(value, list | tuple):
            return []
        found = []
        for one in value:
            kind = type(one)
            if kind is variable:
                found.append(one)
            elif kind not in nothing:
                found += variables_of(self, one)
        return found

    instruction._rec_list_vars = variables_of


def _make_no_code_of(inner: frozenset[tuple[str, str]]) -> None:
    """Leave kernels that only kernels call as what the compiler reads."""

    def is_inner(function: Any) -> bool:
        return (function.__module__, function.__name__) in inner

    lowering_pass: Any = typed_passes.NativeLowering
    lower = lowering_pass.run_pass

    def run_pass(self: Any, state: Any) -> Any:
        if state.library is None and is_inner(state.func_id.func):
            state.library = state.targetctx.codegen().create_library(state.func_id.func_qualname)
            state.library.enable_object_caching()  # as numba does with those it makes itself
            state.library.without_code = True
        return lower(self, state)

    lowering_pass.run_pass = run_pass

    cache: Any = caching.Cache
    key_of = cache._index_key

    def index_key(self: Any, sig: Any, codegen: Any) -> Any:
        key = key_of(self, sig, codegen)
        return (*key, "without code") if is_inner(self._py_func) else key

    cache._index_key = index_key
    _finish_without_code()
    _write_without_code()
    _enter_nothing_without_code()


def _without_code(library: Any) -> bool:
    return bool(getattr(library, "without_code", False))


def _finish_without_code() -> None:
    library: Any = codegen.JITCodeLibrary
    make_code = library._finalize_final_module

    def finalize_final_module(self: Any) -> None:
        if _without_code(self):
            self._finalize_dynamic_globals()
            self._verify_declare_only_symbols()
            self._finalized = True
        else:
            make_code(self)

    library._finalize_final_module = finalize_final_module


def _write_without_code() -> None:
    library: Any = codegen.JITCodeLibrary
    write, read = library.serialize_using_object_code, library._unserialize.__func__

    def serialize(self: Any) -> Any:
        if _without_code(self):
            return self.name, "bitcode", self._get_module_for_linking().as_bitcode()
        return write(self)

    def unserialize(cls: Any, codegen: Any, state: Any) -> Any:
        name, kind, data = state
        if kind != "bitcode":
            return read(cls, codegen, state)
        made = codegen.create_library(name)
        made.without_code = True
        made._final_module = llvmlite.binding.parse_bitcode(data)
        made._finalize_final_module()
        return made

    library.serialize_using_object_code = serialize
    library._unserialize = classmethod(unserialize)


def _enter_nothing_without_code() -> None:
    lowerer: Any = lowering.BaseLower
    context: Any = cpu.CPUContext
    functions_of_c: Any = importlib.import_module("numba._dynfunc")
    enter, make_executable = lowerer.create_cpython_wrapper, context.get_executable

    def create_cpython_wrapper(self: Any, *arguments: Any, **named: Any) -> None:
        if not _without_code(self.library):
            enter(self, *arguments, **named)

    def get_executable(self: Any, library: Any, fndesc: Any, env: Any) -> Any:
        if not _without_code(library):
            return make_executable(self, library, fndesc, env)
        name = fndesc.qualname.rsplit(".", maxsplit=1)[-1]
        # Nothing calls it: helpers compile and call nothing.
        return functions_of_c.make_function(fndesc.lookup_module(), name, "", 0, env, (library,))

    lowerer.create_cpython_wrapper = create_cpython_wrapper
    context.get_executable = get_executable
