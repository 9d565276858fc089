"""Which kernels the main job calls, and with what types: what can be compiled before it is needed.

The list is recorded, not written (by ``benchmarks/record_kernels.py``): one line a kernel and its types, each
after the kernels that it calls. A kernel that is missing in it, or called with other types, is compiled when
it is first called, as it would be without a list.
"""

from __future__ import annotations

import importlib
import json
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

__all__ = ["LIST", "Kernel", "listed_kernels", "type_from", "type_text"]

LIST = Path(__file__).with_name("ahead_list.jsonl")
KERNELS = "cloudprep.kernels."


@dataclass(frozen=True)
class Kernel:
    """One kernel with the types of its arguments.

    Parameters
    ----------
    module, name : str
        Where it is, below ``cloudprep.kernels``.
    types : tuple
        Of its arguments, as :func:`type_text` writes them.
    calls : tuple of int
        Kernels of the list that are compiled into it: their places, all before its own.
    """

    module: str
    name: str
    types: tuple[Any, ...]
    calls: tuple[int, ...] = ()

    def line(self) -> str:
        """Return its line of the list."""
        return json.dumps([self.module, self.name, self.types, self.calls], separators=(",", ":"))

    @classmethod
    def from_line(cls, line: str) -> Kernel:
        """Read a line."""
        module, name, types, calls = json.loads(line)
        return cls(module, name, tuple(types), tuple(calls))

    def compiled_function(self) -> Any:
        """Return the function whose ``compile`` takes the types."""
        return getattr(importlib.import_module(KERNELS + self.module), self.name)


@cache
def listed_kernels() -> tuple[Kernel, ...]:
    """Return the list, in order; nothing where there is none."""
    try:
        text = LIST.read_text(encoding="ascii")
    except OSError:
        return ()
    return tuple(Kernel.from_line(line) for line in text.splitlines())


def type_text(kind: Any) -> Any:
    """Return a numba type as plain text, or as a list: a tuple's types, after its class if it has one.

    Raises
    ------
    ValueError
        If it is of a kind that isn't written down: then its kernel is compiled within those that call it.

    Examples
    --------
    >>> from numba import types
    >>> type_text(types.Array(types.float64, 2, "C", readonly=True))
    'float64 2 C readonly'
    >>> type_text(types.UniTuple(types.int64, 2))
    [None, 'int64', 'int64']
    """
    import numba  # noqa: PLC0415 - slow to import, and not wanted where compiled code is off

    types: Any = numba.types  # it carries types for some of what is in it only
    if isinstance(kind, types.Array) and kind.aligned and type(kind) is types.Array:
        return f"{kind.dtype} {kind.ndim} {kind.layout}" + ("" if kind.mutable else " readonly")
    if isinstance(kind, types.BaseTuple):
        named = getattr(kind, "instance_class", None)
        known = named and f"{named.__module__}:{named.__qualname__}"
        return [known, *(type_text(one) for one in kind)]
    if isinstance(kind, types.Integer | types.Float | types.Boolean) and getattr(types, str(kind), 0) is kind:
        return str(kind)
    raise ValueError(f"no text for {kind}")


def type_from(text: Any) -> Any:
    """Return the numba type of a text.

    >>> type_text(type_from([None, "int64", "float32 1 A"]))
    [None, 'int64', 'float32 1 A']
    """
    import numba  # noqa: PLC0415 - as above

    types: Any = numba.types  # it carries types for some of what is in it only
    if isinstance(text, str):
        kind, *array = text.split()
        scalar = getattr(types, kind)
        if not array:
            return scalar
        return types.Array(scalar, int(array[0]), array[1], readonly="readonly" in array)
    named = None
    if text[0]:
        module, _, name = text[0].partition(":")
        named = getattr(importlib.import_module(module), name)
    return types.BaseTuple.from_types([type_from(one) for one in text[1:]], named)
