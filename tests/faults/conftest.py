"""Makes what these tests share importable, and the tiny site."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

if str(Path(__file__).parent) not in sys.path:
    sys.path.append(str(Path(__file__).parent))

from tiny_site import PIPELINE, Site, write_flight


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Site:
    """Make the tiny site and its undisturbed run, once a module."""
    folder = tmp_path_factory.mktemp("faults")
    for name, rows in (("a", slice(0, 300)), ("b", slice(300, 600))):
        write_flight(folder / "flights" / f"{name}.laz", rows)
    (folder / "pipeline.yaml").write_text(PIPELINE, encoding="utf-8")
    made = Site(folder, folder / "reference" / "out")
    result = made.run(out=made.reference)
    assert result.exit_code == 0, result.stderr
    return made
