"""Whatever bytes a pipeline file holds, it loads or is refused in lines that start with the file."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from cloudprep.config import Pipeline, load_pipeline
from cloudprep.config.yaml_text import read_yaml
from cloudprep.errors import ConfigError

if TYPE_CHECKING:
    from pathlib import Path
    from types import ModuleType

GOOD = b"""cloudprep: 1
stages:
  - &a
    stage: rock_finder
    cell: 1e-1
    keep_classes: [9, 6]
  - <<: *a
    growth: "linear"
output: {format: laz}
gates:
  - {figure: x.y, at_least: 0.5}
"""
SIGNS = b"""\n|\t|:|- |&a|*a|<<: |!!|'|"|{|]|>|#|%|\x00|\xff|~|.nan|1e999|true|? |---|...|\\n|"a\\nb": """
FRAGMENTS = st.sampled_from([*SIGNS.split(b"|"), "\u2028".encode(), b"|"])


@given(st.binary(max_size=200) | st.lists(FRAGMENTS, max_size=25).map(b"".join))
def test_any_bytes_are_read_or_told_to_be_no_yaml(content: bytes) -> None:
    found = read_yaml(content)
    assert all(problem.line >= 1 and problem.text for problem in found.problems)


@pytest.mark.usefixtures("fake_stages")
@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(position=st.integers(0, len(GOOD)), cut=st.integers(0, 12), put=st.lists(FRAGMENTS, max_size=3))
def test_a_good_file_with_damage_loads_or_is_refused_line_by_line(
    tmp_path: Path, fake_stages: ModuleType, position: int, cut: int, put: list[bytes]
) -> None:
    path = tmp_path / "site.yaml"
    path.write_bytes(GOOD[:position] + b"".join(put) + GOOD[position + cut :])
    try:
        pipeline = load_pipeline(path)
    except ConfigError as error:
        problems = error.problems
        assert problems
        assert all(p.startswith(f"{path}:") and p.isprintable() for p in problems), problems
    else:
        assert Pipeline.from_dict(pipeline.as_dict()).as_dict() == pipeline.as_dict()
