"""The plan says in words what a pipeline will do."""

from __future__ import annotations

from typing import TYPE_CHECKING

from cloudprep.config.describe import plan_text

if TYPE_CHECKING:
    from collections.abc import Callable

    from cloudprep.config import Pipeline


def test_every_parameter_stands_in_the_plan_with_unit_and_default(load: Callable[[str], Pipeline]) -> None:
    text = plan_text(load("cloudprep: 1\nstages:\n- stage: rock_finder\n  cell: 2.5\n"))
    assert "1. rock_finder: Find rocks by their roughness." in text
    assert "cell          2.5 m  (set; default: 1 m)" in text
    assert "slope         45 degrees" in text
    assert "spacing       from the cloud: the measured spacing" in text
    assert "keep_classes  [9]" in text
    assert "reads      x, y, z, classification; where they are there: withheld" in text
    assert "changes    classification" in text


def test_reach_is_told_where_it_is_known(load: Callable[[str], Pipeline]) -> None:
    text = plan_text(load("cloudprep: 1\nstages:\n- stage: floor_finder\n"))
    assert "reach      12.5 m" in text
    text = plan_text(load("cloudprep: 1\nstages:\n- stage: rock_finder\n"))
    assert "reach      known once the flights are measured (spacing)" in text
    text = plan_text(load("cloudprep: 1\nstages:\n- stage: rock_finder\n  spacing: 0.5\n"))
    assert "reach      1.5 m" in text


def test_what_is_written_assumed_and_judged_stands_at_the_end(load: Callable[[str], Pipeline]) -> None:
    head = "cloudprep: 1\nstages:\n- stage: floor_finder\n- stage: floor_grid\n"
    text = plan_text(load(head))
    assert "makes      floor.tif, floor_kinds.tif" in text
    assert "clouds: laz, LAS version kept, noise points labelled and kept" in text
    assert "flights without a reference system: metres are assumed, and said" in text
    text = plan_text(
        load(
            head + "output: {format: las, drop_noise: true, las_version: 1.4}\n"
            "assume: {crs: EPSG:25832, units: foot}\n"
            "gates: [{figure: ground.share, at_least: 0.1, at_most: 0.9},\n"
            "  {figure: points.density, per: flight, severity: warn, at_least: 8, why: so ordered}]\n"
        )
    )
    assert "clouds: las, LAS 1.4, noise points left out" in text
    assert "EPSG:25832, units: foot" in text
    assert "gate: ground.share must be between 0.1 and 0.9 (exit code 3 if not)" in text
    assert (
        "gate: points.density of every flight must be at least 8 (only a warning if not): so ordered" in text
    )
