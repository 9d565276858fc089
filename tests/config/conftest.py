"""Fixtures of the configuration tests: invented stages in place of the real ones, and files to read."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from cloudprep.config import Pipeline, load_pipeline
from cloudprep.errors import ConfigError
from cloudprep.stages import registry

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from types import ModuleType


def _load_fakes() -> ModuleType:
    path = Path(__file__).with_name("fake_stages.py")
    spec = importlib.util.spec_from_file_location("fake_stages", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["fake_stages"] = module
    spec.loader.exec_module(module)
    return module


@pytest.fixture
def fake_stages(monkeypatch: pytest.MonkeyPatch) -> Iterator[ModuleType]:
    """Put invented stages in place of the built-in ones."""
    module = _load_fakes()
    monkeypatch.setattr(
        registry,
        "BUILT_IN",
        {
            "rock_finder": "fake_stages:RockFinder",
            "floor_finder": "fake_stages:FloorFinder",
            "floor_grid": "fake_stages:FloorGrid",
            "pebbles": "fake_stages:Pebbles",
            "pebble_sorter": "fake_stages:PebbleSorter",
            "pebble_looker": "fake_stages:PebbleLooker",
            "broken_stage": "no_such_module:Broken",
        },
    )
    registry._locations.cache_clear()
    yield module
    registry._locations.cache_clear()


@pytest.fixture
def write(tmp_path: Path) -> Callable[[str | bytes], Path]:
    """Give a function that writes a pipeline file."""

    def write(content: str | bytes) -> Path:
        path = tmp_path / "site.yaml"
        path.write_bytes(content if isinstance(content, bytes) else content.encode())
        return path

    return write


@pytest.fixture
def load(write: Callable[[str | bytes], Path], fake_stages: ModuleType) -> Callable[[str | bytes], Pipeline]:
    """Give a function that writes a pipeline file and loads it."""
    return lambda content: load_pipeline(write(content))


@pytest.fixture
def problems(load: Callable[[str | bytes], Pipeline]) -> Callable[[str | bytes], list[str]]:
    """Give a function that returns the problems of a pipeline file, the folder taken away."""

    def problems(content: str | bytes) -> list[str]:
        with pytest.raises(ConfigError) as caught:
            load(content)
        return [p[p.index("site.yaml") :] for p in caught.value.problems]

    return problems
