"""Earthwork by hand against published examples.

1. Wikibooks, "Fundamentals of Transportation", Earthwork (solution): end areas in m2, pyramids at the ends;
   printed fill 4087.5 m3, cut 1058.3 m3, net 3029.2 m3.
2. G. L. Vose, "Handbook of Railroad Construction", art. 108: base 20 ft, slopes 1.5 to 1, stations 50 ft
apart,
   cuts of 0, 5, 10, 15, 0 ft; printed end areas 0, 137, 350, 637, 0, their sum 56,200 cubic feet; the areas
   are printed rounded, exact ones give 56,250. Prismoidal 52,500 from the exact areas (computed).
3. Two homework sites: an embankment 10 m wide with slopes of 1.5 to 1, heights 0.90 ... 0.85 m at 40 m:
answers
   computed here from the formulas (trapezoidal 5096.775, Simpson 5143.25).
4. Average over corners of a grid, weights 1-2-4 (a civil engineering course note): the sum over all cells of
the
   means of their corners.
"""

import numpy as np
import pytest

from cloudprep.kernels.earthwork import areas_between, average_end_areas, prismoidal

STATIONS = np.array([0, 50, 75, 100, 115, 150.0])
FILL = np.array([60, 50, 25, 5, 0, 0.0])
CUT = np.array([0, 0, 0, 10, 15, 30.0])


def test_wikibooks_end_areas_with_pyramids():
    fill = average_end_areas(STATIONS, FILL).sum()
    cut = average_end_areas(STATIONS, CUT).sum()
    assert fill == pytest.approx(4087.5)
    assert cut == pytest.approx(1058.3, abs=0.05)
    assert fill - cut == pytest.approx(3029.2, abs=0.05)


def test_end_areas_without_pyramids_are_larger():
    """Computed: 4100.0 and 1100.0. It tells which rule is at work."""
    assert average_end_areas(STATIONS, FILL, pyramids=False).sum() == pytest.approx(4100.0)
    assert average_end_areas(STATIONS, CUT, pyramids=False).sum() == pytest.approx(1100.0)


def trapezoid(h, base=20.0, slope=1.5):
    return base * h + slope * h * h


def test_vose_average_end_area_and_prismoidal():
    cuts = np.array([0, 5, 10, 15, 0.0])
    stations = 50.0 * np.arange(5)
    exact = trapezoid(cuts)
    assert exact.tolist() == [0, 137.5, 350, 637.5, 0]
    assert average_end_areas(stations, exact, pyramids=False).sum() == pytest.approx(56_250)
    printed = np.array([0, 137, 350, 637, 0.0])
    assert average_end_areas(stations, printed, pyramids=False).sum() == pytest.approx(56_200)
    middle = trapezoid((cuts[:-1] + cuts[1:]) / 2)
    assert prismoidal(stations, exact, middle).sum() == pytest.approx(52_500)


def test_embankment_of_seven_sections():
    h = np.array([0.90, 1.25, 2.15, 2.50, 1.85, 1.35, 0.85])
    areas = trapezoid(h, base=10.0)
    stations = 40.0 * np.arange(7)
    assert average_end_areas(stations, areas).sum() == pytest.approx(5096.775)
    simpson = prismoidal(stations[::2], areas[::2], areas[1::2]).sum()
    assert simpson == pytest.approx(5143.25)


def test_areas_between_lines_part_where_they_cross():
    """Outside check: numpy's trapezoid rule on a very fine division."""
    x = np.linspace(0, 10, 41)
    first, second = np.sin(x), 0.3 * np.cos(2 * x)
    above, below = areas_between(x, first, second)
    fine = np.linspace(0, 10, 400_001)
    d = np.interp(fine, x, second) - np.interp(fine, x, first)
    assert above == pytest.approx(np.trapezoid(np.maximum(d, 0), fine), rel=1e-6)
    assert below == pytest.approx(np.trapezoid(np.maximum(-d, 0), fine), rel=1e-6)
    first[5] = np.nan
    assert areas_between(x, first, second)[0] <= above
