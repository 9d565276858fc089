"""Do 95 % intervals hold the truth in 95 of 100 surveys? Five hundred of the demo's stockpile and cut tell.

The true ground is the demo site's formula; errors are drawn as ``demo_clouds.surveys`` says: points on their
own, what neighbours share, and the survey's datum.
"""

import math
from contextlib import ExitStack

import numpy as np
import pytest
import shapely
import shapely.affinity
from measured_bodies import write_areas, write_raster
from scipy.stats import binom

from cloudprep.kernels.volume_error import HeightErrors
from cloudprep.measuring.change import ChangeRequest, Comparison, measure_change
from cloudprep.measuring.volumes import measure_volumes
from demo_clouds import surveys
from demo_clouds.surveys import CUT, SPACING, STOCKPILE, WINDOW, Survey, SurveyErrors, ground

DRAWS = 500
# Of 500 intervals that hold the truth with 95 %, so many do in 995 of 1,000 such tests.
FEWEST, MOST = (int(v) for v in binom.ppf([0.0025, 0.9975], DRAWS, 0.95))
CELL = 0.5
LEVEL = 206.7


def test_bounds_of_the_simulations_are_binomial():
    assert (FEWEST, MOST) == (460, 488)  # 92.0 and 97.6 %


def centres(cell):
    west, south, east, north = WINDOW
    return np.meshgrid(
        np.arange(west + cell / 2, east, cell), np.arange(south + cell / 2, north, cell), indexing="xy"
    )


def circle(middle, radius):
    return shapely.Point(middle[0] - WINDOW[0], middle[1] - WINDOW[1]).buffer(radius, quad_segs=32)


PILE = circle(STOCKPILE, surveys.STOCKPILE_RADIUS)
PIT = circle(CUT, surveys.CUT_RADIUS)


def true_integral(height, shape, cell=0.1):
    """Sum a height over a polygon in cells of 0.1 m."""
    x, y = centres(cell)
    inside = shapely.contains_xy(shape, x - WINDOW[0], y - WINDOW[1])
    return float(height(x[inside], y[inside]).sum()) * cell**2 * shape.area / (inside.sum() * cell**2)


@pytest.fixture(scope="module")
def areas(tmp_path_factory):
    folder = tmp_path_factory.mktemp("areas")
    west, south, east, north = np.array(surveys.STABLE) - (WINDOW[0], WINDOW[1], WINDOW[0], WINDOW[1])
    return (
        write_areas(folder / "pile.geojson", [PILE], name=["pile"]),
        write_areas(folder / "cut.geojson", [PIT], name=["cut"]),
        write_areas(folder / "stable.geojson", [shapely.box(west, south, east, north)], name=["floor"]),
    )


def held(report, truth):
    return abs(report.net - truth) <= report.interval_95


def assert_true(counts):
    """Refuse counts out of bounds, and tell all of them (pytest -rP, or -s)."""
    for name, count in counts.items():
        print(f"{name}: {count} of {DRAWS} intervals hold the truth")
    out = {name for name, count in counts.items() if not FEWEST <= count <= MOST}
    assert not out, f"{', '.join(sorted(out))}: not within {FEWEST} and {MOST} of {DRAWS}: {counts}"


@pytest.mark.slow
def test_grids_with_errors_are_as_grids_of_points_with_errors(tmp_path, areas):
    """Points with errors, averaged by cells, and errors drawn for cells make volumes unsure by as much.

    The simulations below draw cells, since points take long. Ratio of standard deviations over 150 draws of
    each: F test, 995 of 1,000 such ratios lie within 0.78 and 1.27.
    """
    errors = SurveyErrors()
    rng = np.random.default_rng(21)
    x, y = centres(CELL)
    west, south, east, north = WINDOW
    px, py = (
        v.ravel() for v in np.meshgrid(np.arange(west, east, SPACING), np.arange(south, north, SPACING))
    )
    rows, columns = x.shape
    nets = {"points": [], "cells": []}
    for _ in range(150):
        survey = Survey(errors, rng)
        qx, qy = px + rng.uniform(0, SPACING, px.size), py + rng.uniform(0, SPACING, py.size)
        off = survey.points(qx, qy)
        cell = np.minimum(((qy - south) / CELL).astype(int), rows - 1) * columns
        cell += np.minimum(((qx - west) / CELL).astype(int), columns - 1)
        count = np.bincount(cell, minlength=rows * columns).reshape(x.shape)
        mean = np.bincount(cell, off, rows * columns).reshape(x.shape) / np.maximum(count, 1)
        mean[count == 0] = np.nan
        for name, error in (("points", mean), ("cells", Survey(errors, rng).cells(x, y, CELL))):
            shape = shapely.contains_xy(PILE, x - west, y - south)
            nets[name].append(np.nanmean(error[shape]) * PILE.area)
    assert np.std(nets["points"]) / np.std(nets["cells"]) == pytest.approx(1.0, abs=0.24)


SIDE, HALF = 5, 15.5


def side_by_side(z):
    """Put one piece of the ground, or several, beside each other: SIDE x SIDE of them."""
    pieces = [z] * SIDE**2 if isinstance(z, np.ndarray) else z
    return np.block([pieces[k * SIDE : (k + 1) * SIDE] for k in range(SIDE)])


@pytest.mark.slow
def test_volume_intervals_hold_the_truth_in_95_of_100_surveys(tmp_path, areas):
    """A level, and bases that follow from the edge, whose own errors count.

    Twenty-five surveys at a time, each with its own errors, lie side by side in one raster. The random part
    comes from a raster of standard errors, as terrain products leave it.
    """
    errors = SurveyErrors()
    own = errors.point / (CELL / SPACING)
    given = HeightErrors(correlated=errors.shared, reach=errors.reach, systematic=errors.datum)
    fine = write_raster(tmp_path / "fine.tif", ground(*centres(0.1)), 0.1)
    truth = {f"level:{LEVEL}": true_integral(lambda x, y: ground(x, y) - LEVEL, PILE)}
    for base in ("edge-plane", "lowest-edge"):
        truth[base] = measure_volumes(fine, areas[0], base=base).volumes[0].net
    # Which triangles span a round edge is a matter of its places: the truth is that of the same places.
    coarse = write_raster(tmp_path / "coarse.tif", ground(*centres(CELL)), CELL)
    truth["edge-surface"] = measure_volumes(coarse, areas[0], base="edge-surface").volumes[0].net
    c = np.arange(CELL / 2, 2 * HALF, CELL)
    x, y = np.meshgrid(STOCKPILE[0] - HALF + c, STOCKPILE[1] - HALF + c)
    exact = side_by_side(ground(x, y))
    pile = shapely.Point(HALF, HALF).buffer(surveys.STOCKPILE_RADIUS, quad_segs=32)
    shapes = [
        shapely.affinity.translate(pile, k % SIDE * 2 * HALF, k // SIDE * 2 * HALF) for k in range(SIDE**2)
    ]
    over = write_areas(tmp_path / "piles.geojson", shapes, name=[str(k) for k in range(SIDE**2)])
    write_raster(tmp_path / "dtm_standard_error.tif", np.full(exact.shape, own), CELL)
    counts = dict.fromkeys(truth, 0)
    rng = np.random.default_rng(31)
    for _ in range(DRAWS // SIDE**2):
        off = side_by_side([Survey(errors, rng).cells(x, y, CELL) for _ in range(SIDE**2)])
        dtm = write_raster(tmp_path / "dtm.tif", exact + off, CELL)
        for base, true in truth.items():
            found = measure_volumes(dtm, over, base=base, errors=given).volumes
            counts[base] += sum(abs(v.net - true) <= v.error.interval_95 for v in found)
    assert_true(counts)


@pytest.mark.slow
def test_change_intervals_hold_the_truth_in_95_of_100_surveys(tmp_path, areas):
    """The cut: errors given, and errors that the program finds on stable ground, with its bias taken off."""
    errors = SurveyErrors()
    x, y = centres(CELL)
    own = math.sqrt(2) * errors.point / (CELL / SPACING)
    given = HeightErrors(own, math.sqrt(2) * errors.shared, errors.reach, math.sqrt(2) * errors.datum)
    before, after = tmp_path / "before.tif", tmp_path / "after.tif"
    requests = {
        "given": ChangeRequest(before, after, areas[1], errors=given),
        "shifted": ChangeRequest(before, after, areas[1], stable=areas[2], shift=True),
    }
    true = true_integral(lambda x, y: ground(x, y, later=True) - ground(x, y), PIT)
    exact = [ground(x, y), ground(x, y, later=True)]
    counts = dict.fromkeys(requests, 0)
    rng = np.random.default_rng(41)
    for _ in range(DRAWS):
        for path, z in zip((before, after), exact, strict=True):
            write_raster(path, z + Survey(errors, rng).cells(x, y, CELL), CELL)
        for name, request in requests.items():
            with ExitStack() as stack:
                (area,) = measure_change(Comparison(request, stack)).areas
            counts[name] += held(area, true)
    assert_true(counts)
