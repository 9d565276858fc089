"""What counts as a void, what doesn't, and what is said of it."""

import numpy as np
import pytest
import shapely

from cloudprep.model.bounds import Bounds
from cloudprep.model.grid import Grid, Lattice
from cloudprep.stages.surface.report_voids import ReportVoids
from cloudprep.testing import run_stage

SPACING = 1.0


def pulses(width=100.0, height=80.0, spacing=SPACING):
    """Return pulses in a square pattern, one in the middle of each square of the spacing."""
    x, y = np.meshgrid(np.arange(spacing / 2, width, spacing), np.arange(spacing / 2, height, spacing))
    return x.ravel(), y.ravel()


def cloud(x, y, classes=None):
    n = len(x)
    return {
        "x": x,
        "y": y,
        "z": np.full(n, 50.0),
        "return_number": np.ones(n, np.uint8),
        "classification": np.full(n, 2, np.uint8) if classes is None else classes.astype(np.uint8),
        "withheld": np.zeros(n, bool),
    }


def report(columns, rasters=None, **params):
    params = {"of": "first_returns" if rasters is None else "both", "pulse_spacing": SPACING, **params}
    stage = ReportVoids(ReportVoids.Params(**params))
    result = run_stage(stage, columns, rasters=rasters).result
    return result.figures, result.layers[0], result.warnings


def without(x, y, x0, y0, x1, y1):
    out = (x > x0) & (x < x1) & (y > y0) & (y < y1)
    return x[~out], y[~out]


def test_a_full_survey_has_no_voids():
    figures, layer, warnings = report(cloud(*pulses()))
    assert figures["voids.count"] == 0
    assert len(layer) == 0
    assert figures["coverage.share"] == 1.0
    assert not warnings


@pytest.mark.parametrize("side", [5, 8, 20])
def test_a_square_without_first_returns_is_found_with_its_area(side):
    x, y = without(*pulses(), 30.0, 30.0, 30.0 + side, 30.0 + side)
    figures, layer, warnings = report(cloud(x, y))
    assert figures["voids.count"] == 1
    # Between the pulses around it there is half a spacing more on each side; cells are half a spacing.
    area = layer.attributes["area_m2"][0]
    assert side**2 <= area <= (side + 1) ** 2
    assert area == pytest.approx(layer.geometries[0].area, rel=1e-12)
    assert side <= layer.attributes["width_m"][0] <= side + 1
    assert figures["voids.area"] == figures["voids.largest"] == area
    assert "without a first return" in warnings[0]


def test_what_is_smaller_than_the_rule_is_not_a_void():
    x, y = without(*pulses(), 30.0, 30.0, 32.0, 60.0)  # long, but narrower than four spacings
    assert report(cloud(x, y))[0]["voids.count"] == 0


def test_only_first_returns_count():
    x, y = pulses()
    columns = cloud(x, y)
    later = (x > 30) & (x < 40) & (y > 30) & (y < 40)
    columns["return_number"] = np.where(later, 2, 1).astype(np.uint8)
    assert report(columns)[0]["voids.count"] == 1
    columns["return_number"][:] = 1
    columns["withheld"] = later
    assert report(columns)[0]["voids.count"] == 1


def test_an_island_is_a_hole_of_the_void():
    x, y = pulses()
    out = (np.hypot(x - 50, y - 40) < 25) & (np.hypot(x - 50, y - 40) > 8)
    _, layer, _ = report(cloud(x[~out], y[~out]))
    assert len(layer) == 1
    polygon = layer.geometries[0]
    assert len(polygon.interiors) == 1
    assert polygon.is_valid
    assert polygon.area == pytest.approx(layer.attributes["area_m2"][0], rel=1e-12)
    assert not polygon.contains(shapely.Point(50, 40))
    assert polygon.contains(shapely.Point(66, 40))


def test_what_was_not_flown_is_no_void():
    x, y = pulses()
    corner = (x > 50) & (y > 40)  # the site is L-shaped
    figures, _, _ = report(cloud(x[~corner], y[~corner]))
    assert figures["voids.count"] == 0
    assert figures["coverage.area"] == pytest.approx(100 * 80 * 3 / 4, rel=0.03)


def test_a_strip_missing_between_flight_lines_is_a_void_though_open_at_its_end():
    x, y = pulses()
    strip = (y > 35) & (y < 45) & (x > 20)
    figures, _layer, _ = report(cloud(x[~strip], y[~strip]))
    assert figures["voids.count"] == 1
    assert figures["voids.area"] == pytest.approx(800, rel=0.15)
    # The same one is a bay of the boundary for who says so.
    assert report(cloud(x[~strip], y[~strip]), opening=6.0)[0]["voids.count"] == 0


def test_water_is_excepted_by_the_points_around():
    x, y = without(*pulses(), 30.0, 30.0, 50.0, 50.0)
    near = (x > 27) & (x < 53) & (y > 27) & (y < 53)
    figures, layer, warnings = report(cloud(x, y, np.where(near, 9, 2)))
    assert figures["voids.count"] == 0
    assert figures["voids.water_count"] == 1
    assert figures["voids.water_area"] >= 400
    assert layer.attributes["cause"].tolist() == ["water"]
    assert figures["coverage.share"] == 1.0
    assert not warnings


def source(codes):
    """Return where heights come from on cells of 1 m of a site of 100 x 80 m."""
    window = Lattice(1.0, (412_000.0, 5_654_000.0)).window(Bounds(0.0, 0.0, 100.0, 80.0))
    return {"dtm_source": Grid("dtm_source", codes, window, "", "", {})}


def test_terrain_voids_have_their_causes():
    codes = np.ones((80, 100), np.uint8)
    codes[30:40, 30:40] = 0  # nothing came back
    codes[10:20, 60:75] = 3  # a roof, filled
    codes[50:70, 50:70] = 4  # water put in is a height
    codes[5, 5] = 0  # too small to be told
    figures, layer, _ = report(cloud(*without(*pulses(), 30.0, 30.0, 40.0, 40.0)), source(codes))
    of, cause = layer.attributes["of"].tolist(), layer.attributes["cause"].tolist()
    assert of == ["first returns", "terrain", "terrain"]
    assert cause == ["", "no ground among the returns", "no first returns"]
    assert layer.attributes["area_m2"][1:].tolist() == [150.0, 100.0]
    assert figures["voids.terrain_count"] == 2
    assert figures["voids.terrain_area"] == 250.0


def test_water_is_excepted_by_the_terrain():
    codes = np.ones((80, 100), np.uint8)
    codes[30:40, 30:40] = 4
    figures, _, _ = report(cloud(*without(*pulses(), 30.0, 30.0, 40.0, 40.0)), source(codes))
    assert figures["voids.count"] == 0
    assert figures["voids.water_count"] == 1


def test_a_survey_thinner_than_asked_for_is_said():
    figures, _, warnings = report(cloud(*pulses(spacing=2.5)))
    assert figures["coverage.share"] < 0.9
    assert figures["coverage.spacing"] == pytest.approx(2.5, rel=0.05)
    assert any("less than 90%" in line for line in warnings)
    assert any("more than the 1 m asked for" in line for line in warnings)
