"""The spacing of clouds from dense to thin, by what it is for points spread evenly: sqrt(area / count)."""

import numpy as np
import pytest

from cloudprep.engine.sitefacts import point_spacing

ORIGIN = (412_000.0, 5_654_000.0)


@pytest.mark.parametrize("spacing", [0.2, 1.0, 3.0, 4.0, 6.0, 12.0, 40.0])
def test_spacing_is_that_of_points_spread_evenly(spacing):
    side = max(60 * spacing, 100.0)
    x, y = np.random.default_rng(1).uniform(0, side, (2, round((side / spacing) ** 2)))
    # Cells without a point are taken for gaps, and those at the rim count whole.
    assert point_spacing(x, y, ORIGIN) == pytest.approx(spacing, rel=0.2)


def test_gaps_dont_count_in_thin_clouds_either():
    rng = np.random.default_rng(2)
    x, y = rng.uniform(0, 900, (2, 2025))  # 20 m apart
    west = x < 450
    apart = point_spacing(np.where(west, x, x + 5000), y, ORIGIN)
    assert apart == pytest.approx(point_spacing(x, y, ORIGIN), rel=0.1)


def test_a_handful_of_points_says_nothing_of_wider_cells():
    x = np.array([0.0, 300.0, 700.0])
    assert point_spacing(x, x, ORIGIN) == pytest.approx(5.0)
