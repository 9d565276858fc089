"""The page about gates shows a pipeline that is good, and all keys that a gate has."""

from __future__ import annotations

import re
from pathlib import Path

from cloudprep.config import Gate, load_pipeline

PAGE = Path(__file__).resolve().parents[2] / "docs" / "gates.md"


def test_the_pipeline_of_the_page_is_good(tmp_path: Path) -> None:
    text = PAGE.read_text(encoding="utf-8")
    (example,) = re.findall(r"```yaml\n(.*?)```", text, re.DOTALL)
    path = tmp_path / "page.yaml"
    path.write_text(example, encoding="utf-8")
    gates = load_pipeline(path).gates
    assert [(g.figure, g.per, g.severity) for g in gates] == [
        ("points.density", "flight", "fail"),
        ("ground.share", "run", "fail"),
        ("terrain.empty_share", "run", "warn"),
    ]


def test_the_page_names_every_key() -> None:
    table = PAGE.read_text(encoding="utf-8").partition("| key | meaning |")[2].partition("\n\n")[0]
    for key in Gate.model_fields:
        assert f"`{key}" in table, key
