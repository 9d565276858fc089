"""Fixtures of the command-line tests."""

from __future__ import annotations

import importlib.util
import os
import subprocess
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from typer.testing import CliRunner

from cloudprep.stages import registry

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from types import ModuleType

    from click.testing import Result

FAKES = Path(__file__).resolve().parents[1] / "config" / "fake_stages.py"


@pytest.fixture
def fake_stages(monkeypatch: pytest.MonkeyPatch) -> Iterator[ModuleType]:
    """Put three invented stages, and one that can't be loaded, in place of the built-in ones."""
    spec = importlib.util.spec_from_file_location("fake_stages", FAKES)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["fake_stages"] = module
    spec.loader.exec_module(module)
    names = {"rock_finder": "RockFinder", "floor_finder": "FloorFinder", "floor_grid": "FloorGrid"}
    built_in = {name: f"fake_stages:{attribute}" for name, attribute in names.items()}
    monkeypatch.setattr(registry, "BUILT_IN", built_in)
    registry._locations.cache_clear()
    yield module
    registry._locations.cache_clear()


@pytest.fixture
def call() -> Callable[..., Result]:
    """Give a function that runs the command line in this process."""
    from cloudprep.cli.main import app

    def call(*words: str | Path, **options: object) -> Result:
        return CliRunner().invoke(app, [str(w) for w in words], prog_name="cloudprep", **options)

    return call


@pytest.fixture
def shell() -> Callable[..., subprocess.CompletedProcess[str]]:
    """Give a function that runs the command line as a process of its own, as a user does."""
    program = "from cloudprep.cli.main import entry; entry()"

    def shell(
        *words: str | Path, env: dict[str, str] | None = None, **options: object
    ) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            [sys.executable, "-c", program, *map(str, words)],
            check=False,
            capture_output=True,
            text=True,
            timeout=120,
            env={**os.environ, **(env or {})},
            **options,
        )

    return shell


@pytest.fixture
def good_pipeline(tmp_path: Path, fake_stages: ModuleType) -> Path:
    """Give a pipeline file of invented stages."""
    path = tmp_path / "good.yaml"
    path.write_text("cloudprep: 1\nstages:\n- stage: rock_finder\n  cell: 2.5\n- stage: floor_finder\n")
    return path


@pytest.fixture
def bad_pipeline(tmp_path: Path, fake_stages: ModuleType) -> Path:
    """Give a pipeline file with two mistakes."""
    path = tmp_path / "bad.yaml"
    path.write_text("cloudprep: 1\nstages:\n- stage: rock_finder\n  cell: -1\n- stage: flor_finder\n")
    return path
