"""``cloudprep doctor``: what is found, and what is told where something is amiss."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from importlib.metadata import version
from typing import TYPE_CHECKING

from cloudprep.engine import ahead, doctor

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    import pytest
    from click.testing import Result

    Call = Callable[..., Result]


def test_versions_and_the_state_of_the_cache_are_shown(call: Call) -> None:
    result = call("doctor")
    lines = dict(line.split(None, 1) for line in result.stdout.splitlines() if line.count(" ") > 1)
    assert lines["numba"] == version("numba")
    assert any(line.startswith("compiled kernels") for line in result.stdout.splitlines())
    assert (result.exit_code == 0) == ("no problem found" in result.stdout)


def test_a_missing_package_is_a_problem_with_a_way_out(call: Call, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(doctor, "versions", lambda: {"numba": "missing"})
    result = call("doctor")
    assert result.exit_code == 1
    assert "problem: numba: it is not installed: pip install cloudprep" in result.stdout


def test_machines_get_json(call: Call) -> None:
    told = json.loads(call("doctor", "--json").stdout)
    names = [f["name"] for f in told["findings"]]
    assert {"processors", "memory", "compiled kernels", "LAZ", "dask"} <= set(names)
    assert told["problems"] == sum(bool(f["problem"]) for f in told["findings"])


def test_kernels_are_compiled_beforehand_when_asked(call: Call, monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[object] = []
    monkeypatch.setattr(ahead, "compile_all", asked.append)
    call("doctor")
    assert not asked
    assert "compiled kernels" in call("doctor", "--compile").stdout
    assert len(asked) == 1


def test_kernels_switched_off_are_told() -> None:
    for variable, value in (("CLOUDPREP_COMPILED", "0"), ("NUMBA_DISABLE_JIT", "1")):
        told = subprocess.run(
            [sys.executable, "-m", "cloudprep", "doctor"],
            env={**os.environ, variable: value},
            capture_output=True,
            text=True,
            check=False,
        )
        assert told.returncode == 1
        assert f"compiled code is off ({variable}={value})" in told.stdout
        assert f"unset {variable}" in told.stdout


def test_kernels_kept_and_those_of_older_sources_are_counted(tmp_path: Path) -> None:
    sources, cache = tmp_path / "kernels", tmp_path / "cache"
    sources.mkdir()
    cache.mkdir()
    for name in ("fill", "trend"):
        (sources / f"{name}.py").write_text("")
        (cache / f"{name}._{name}-7.py311.nbi").write_bytes(b"12345")
    (cache / "fill._fill-7.py311.1.nbc").write_bytes(b"123")
    (cache / "gone._gone-7.py311.nbi").write_bytes(b"")
    os.utime(cache / "trend._trend-7.py311.nbi", (1e9, 1e9))
    state = doctor.cache_state(cache, sources)
    assert (state.kept, state.stale, state.bytes, state.writable) == (1, 1, 13, True)


def test_a_cache_that_isnt_there_yet_is_empty(tmp_path: Path) -> None:
    state = doctor.cache_state(tmp_path / "not" / "yet", tmp_path)
    assert (state.kept, state.bytes, state.writable) == (0, 0, True)
    assert not doctor.cache_state(tmp_path / "x", tmp_path).folder.exists()
