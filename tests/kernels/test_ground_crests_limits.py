"""Where the surface is steep, ground reaches up to the level of the ground beside it, and no higher."""

import numpy as np
import pytest

from cloudprep.kernels.ground_cells import LowestPoints
from cloudprep.kernels.ground_crests import with_crests
from cloudprep.kernels.ground_limits import Limits

ROWS, COLUMNS, FINE = 24, 40, 0.5
EDGE = 10.0
"""Where the cliff stands, m east."""


def limits(centre, tolerance):
    centre = np.broadcast_to(np.asarray(centre, np.float32), (ROWS, COLUMNS)).copy()
    tolerance = np.broadcast_to(np.asarray(tolerance, np.float32), (ROWS, COLUMNS))
    zero = np.zeros((ROWS, COLUMNS), np.float32)
    return Limits(0, 0, centre - tolerance - 0.5, centre, centre + tolerance, zero, zero, zero, zero)


def lowest(high):
    """Return one point in the middle of every cell: 12 m up where ``high``, at 0 m elsewhere."""
    row, column = np.mgrid[0:ROWS, 0:COLUMNS]
    x, y = (column + 0.5) * FINE, (row + 0.5) * FINE
    return LowestPoints(0, 0, x, y, np.where(high(x, y), 12.0, 0.0))


def cliff():
    """Return limits of a surface that needs 2 m for a step of 12 m, with at most 5.1 m of tolerance."""
    x = (np.arange(COLUMNS) + 0.5) * FINE
    centre = 12.0 * np.clip((x - (EDGE - 0.5)) / 2.0, 0.0, 1.0)
    return limits(centre, np.where(np.abs(x - EDGE) < 1.5, 5.1, 0.3))


def test_the_edge_of_a_cliff_is_within_the_limits():
    before = cliff()
    after = with_crests(before, lowest(lambda x, y: x > EDGE), fine=FINE)
    edge = int(EDGE / FINE)
    assert (before.high[:, edge] < 12.0).all()
    assert (after.high[:, edge] >= 12.0).all()
    assert (after.high[:, edge - 1] >= 12.0).all()


def test_no_cell_more_than_a_metre_away_is_raised():
    before = cliff()
    after = with_crests(before, lowest(lambda x, y: x > EDGE), fine=FINE)
    far = (np.arange(COLUMNS) + 0.5) * FINE < EDGE - 1.3
    assert (after.high[:, far] <= before.high[:, far]).all()


def test_under_an_overhang_the_lowest_points_stay_the_ground():
    rng = np.random.default_rng(3)
    through = rng.random((ROWS, COLUMNS)) < 0.5
    cells = lowest(lambda x, y: x > EDGE)
    # For 3 m behind the edge every second pulse reaches the ground below the ledge.
    below = through & (cells.x > EDGE - 1.0) & (cells.x < EDGE + 3.0)
    cells = cells._replace(z=np.where(below, 0.0, np.where(cells.x > EDGE - 1.0, 12.0, 0.0)))
    before = cliff()
    after = with_crests(before, cells, fine=FINE)
    assert (after.high[2:-2] <= before.high[2:-2]).all()


def test_beside_a_low_wall_the_tolerance_ends_at_its_top():
    x = (np.arange(COLUMNS) + 0.5) * FINE
    centre = 1.5 * np.clip((x - EDGE) / 1.0 + 0.5, 0.0, 1.0)
    before = limits(centre, np.where(np.abs(x - EDGE) < 1.0, 2.1, 0.3))
    after = with_crests(before, nothing(), fine=FINE)
    steep = np.abs(x - EDGE) < 1.0
    assert np.allclose(after.high[:, steep], 1.8)
    assert (after.high[:, ~steep] == before.high[:, ~steep]).all()


def nothing():
    return LowestPoints(0, 0, *(np.full((ROWS, COLUMNS), np.nan) for _ in range(3)))


def plane(slope, turned):
    """Return heights of a plane by place, m."""
    across, along = np.cos(np.radians(turned)), np.sin(np.radians(turned))
    return lambda x, y: slope * (x * across + y * along)


def centres():
    row, column = np.mgrid[0:ROWS, 0:COLUMNS]
    return (column + 0.5) * FINE, (row + 0.5) * FINE


@pytest.mark.parametrize("slope", [0.3, 0.95, 1.4])
@pytest.mark.parametrize("turned", [0.0, 25.0, 45.0])
def test_even_slopes_keep_their_tolerance(slope, turned):
    # Plane geometry: over a metre and a half a plane rises more than the tolerance, 1.2 of its slope, allows.
    before = limits(plane(slope, turned)(*centres()), 0.3 + 1.2 * slope)
    after = with_crests(before, nothing(), fine=FINE)
    np.testing.assert_array_equal(after.high, before.high)
    assert after.low is before.low
