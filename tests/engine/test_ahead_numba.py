"""What numba is spared while kernels are compiled ahead: kernels stay the same, inner ones get no code."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from typing import TYPE_CHECKING, Any

import numba
import pytest

from cloudprep.engine import ahead_numba
from cloudprep.engine.ahead_list import listed_kernels

if TYPE_CHECKING:
    from pathlib import Path

CORNERS = [(0, 0), (0, 2), (1, 1), (2, 0), (2, 2)]

CALL = """
import json
import numpy as np
from cloudprep.kernels import tin_hulls

x, y = np.array(CORNERS, np.float64).T.copy()
chain = np.zeros(9, np.int64)
count = tin_hulls._chain(x, y, len(x), chain)
turn = tin_hulls._turn(x, y, 0, 3, 4)
kept = [[sum(f.stats.cache_hits.values()), sum(f.stats.cache_misses.values())]
        for f in (tin_hulls._chain, tin_hulls._turn)]
print(json.dumps([chain[:count].tolist(), turn, tin_hulls._turn.py_func(x, y, 0, 3, 4), kept]))
""".replace("CORNERS", str(CORNERS))

# Compiles the kernels of one module in this process and prints what the compiler made of them in the end.
COMPILE = """
import hashlib, re, sys
from cloudprep.engine.ahead_list import listed_kernels, type_from
from cloudprep.engine.ahead_numba import spare_work

if "spare" in sys.argv:
    assert spare_work(set())
for kernel in listed_kernels():
    if kernel.module in ("tin_hulls", "predicates"):
        function = kernel.compiled_function()
        types = tuple(type_from(text) for text in kernel.types)
        function.compile(types)
        library = function.overloads[types].library
        print(kernel.name, hashlib.sha256(library.get_asm_str().encode()).hexdigest())
"""


def apart(script: str, folder: Path, *arguments: str, **told: Any) -> str:
    done = subprocess.run(
        [sys.executable, "-c", script, *arguments],
        env={**os.environ, "NUMBA_CACHE_DIR": str(folder)},
        capture_output=True,
        text=True,
        check=True,
        **told,
    )
    return done.stdout


needs_tried = pytest.mark.skipif(
    tuple(numba.version_info.short) not in ahead_numba.TRIED, reason="this numba is left alone"
)


@pytest.mark.slow
@needs_tried
def test_what_only_kernels_call_is_kept_without_code_and_found_by_none(tmp_path: Path) -> None:
    lines = "".join(
        kernel.line() + "\n"
        for kernel in listed_kernels()
        if kernel.module == "tin_hulls" and kernel.name in {"_turn", "_chain"}
    )
    helper = "from cloudprep.engine.ahead_helper import answer; answer()"
    assert apart(helper, tmp_path, input=lines).splitlines() == ["done", "done"]
    hull, turn, plain, kept = json.loads(apart(CALL, tmp_path))
    assert hull == [0, 3, 4, 1]  # the square without its middle, anticlockwise
    assert turn == plain
    # The one is found, code and all; the other, called from here against its mark, is compiled.
    assert kept == [[1, 0], [0, 1]]


@pytest.mark.slow
@needs_tried
def test_kernels_are_the_same_machine_code_with_and_without_the_work(tmp_path: Path) -> None:
    with_it = apart(COMPILE, tmp_path / "a").splitlines()
    without = apart(COMPILE, tmp_path / "b", "spare").splitlines()
    assert len(with_it) > 4
    assert with_it == without


@needs_tried
@pytest.mark.slow
def test_switches_are_equal_where_all_their_values_are(tmp_path: Path) -> None:
    script = """
import itertools
from numba.core.compiler import Flags
from cloudprep.engine.ahead_numba import spare_work

def made():
    for names in itertools.product((None, False, True), repeat=3):
        flags = Flags()
        for name, value in zip(("nrt", "no_compile", "error_model"), names):
            if value is not None:
                setattr(flags, name, value if name != "error_model" else ("numpy" if value else "python"))
        yield flags

pairs = list(itertools.product(made(), repeat=2))
before = [a == b for a, b in pairs]
assert spare_work(set())
assert [a == b for a, b in pairs] == before and True in before and False in before
assert all(hash(a) == hash(b) for a, b in pairs if a == b)
assert len({hash(a) for a, _ in pairs}) > 4
assert Flags() != 1
"""
    apart(script, tmp_path)


def test_another_release_of_numba_is_left_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    from numba.core import caching

    before = caching.Cache._index_key
    monkeypatch.setattr(ahead_numba, "TRIED", ((0, 1),))
    assert not ahead_numba.spare_work({("a", "b")})
    assert caching.Cache._index_key is before


def test_the_list_marks_inner_kernels() -> None:
    """A third of them or more are called by kernels alone; what the demo's stages call surely isn't."""
    inner = {(kernel.module, kernel.name) for kernel in listed_kernels() if kernel.inner}
    assert len(inner) > 60
    assert ("tin_hulls", "_turn") in inner
    assert not inner & {("tin_hulls", "_hulls"), ("thin_plate_cycle", "sweep"), ("bilinear", "_bilinear")}
