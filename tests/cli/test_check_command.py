"""``cloudprep check``: every problem at once, or the plan."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from click.testing import Result

    Call = Callable[..., Result]


def test_every_problem_is_told_with_file_and_line_and_exit_code_2(call: Call, bad_pipeline: Path) -> None:
    result = call("check", bad_pipeline)
    assert result.exit_code == 2
    assert result.stdout == ""
    suggestion = "no stage is called 'flor_finder'; did you mean 'floor_finder'?"
    assert result.stderr.splitlines() == [
        f"cloudprep: {bad_pipeline}:4: stages[0] rock_finder: 'cell' must be > 0 m, got -1",
        f"cloudprep: {bad_pipeline}:5: stages[1] flor_finder: {suggestion}",
    ]


def test_a_good_pipeline_shows_its_plan_on_stdout(call: Call, good_pipeline: Path) -> None:
    result = call("check", good_pipeline)
    assert (result.exit_code, result.stderr) == (0, "")
    assert "1. rock_finder" in result.stdout
    assert "2.5 m  (set; default: 1 m)" in result.stdout


def test_a_strange_order_is_a_warning_on_stderr(call: Call, tmp_path: Path, good_pipeline: Path) -> None:
    path = tmp_path / "strange.yaml"
    path.write_text("cloudprep: 1\nstages:\n- stage: rock_finder\n- stage: floor_grid\n")
    result = call("check", path)
    assert result.exit_code == 0
    assert "warning: " in result.stderr
    assert "comes before any ground stage" in result.stderr


def test_a_pipeline_for_classified_clouds_is_not_warned_about(call: Call, tmp_path: Path) -> None:
    path = tmp_path / "products.yaml"
    path.write_text("cloudprep: 1\nstages:\n- stage: floor_grid\n")
    assert "ground stage" not in call("check", path).stderr


def test_an_unknown_name_is_told(call: Call) -> None:
    result = call("check", "bare_erth")
    assert result.exit_code == 2
    assert "did you mean 'bare_earth'?" in result.stderr
