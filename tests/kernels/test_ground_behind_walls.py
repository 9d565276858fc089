"""Before a wall ground lies no higher than the ground behind; slopes, walls and cliffs keep their points.

Sources: plane geometry; walls worked by hand.
"""

import numpy as np
import pytest

from cloudprep.kernels.bilinear import bilinear
from cloudprep.kernels.ground_behind import lower_before_ground
from cloudprep.kernels.ground_cells import LowestPoints
from cloudprep.kernels.ground_limits import Limits

ROWS, COLUMNS, FINE = 24, 40, 0.5
EDGE = 10.0
"""Where the wall stands, m east."""
NO_CLIFFS = np.zeros((ROWS, COLUMNS), bool)


def centres():
    row, column = np.mgrid[0:ROWS, 0:COLUMNS]
    return (column + 0.5) * FINE, (row + 0.5) * FINE


def limits(centre, tolerance):
    centre = np.asarray(centre, np.float32)
    tolerance = np.broadcast_to(np.asarray(tolerance, np.float32), centre.shape)
    zero = np.zeros(centre.shape, np.float32)
    return Limits(0, 0, centre - tolerance - 0.5, centre, centre + tolerance, zero, zero, zero, zero)


def scattered(height, seed=5):
    """Return a point anywhere in every cell, at the height of a function."""
    x, y = (a + np.random.default_rng(seed).uniform(-0.5, 0.5, a.shape) * FINE for a in centres())
    return LowestPoints(0, 0, x, y, height(x, y))


def lowered(before, cells, cliffs=NO_CLIFFS, threads=1):
    after = before._replace(high=before.high.copy())
    lower_before_ground(after, cells, cliffs, fine=FINE, threads=threads)
    return after.high


def room(high, cells):
    """Return how far below the limit points lie, m; the outermost half cell goes on level and is left out."""
    left = bilinear(high, cells.x.ravel() / FINE, cells.y.ravel() / FINE) - cells.z.ravel()
    return left.reshape(cells.z.shape)[1:-1, 1:-1]


@pytest.mark.parametrize("slope", [0.3, 0.95, 1.4])
@pytest.mark.parametrize("turned", [0.0, 25.0, 45.0, 190.0])
def test_even_slopes_keep_their_points(slope, turned):
    # Behind a cell a plane lies higher than in it.
    across, along = np.cos(np.radians(turned)), np.sin(np.radians(turned))

    def plane(x, y):
        return slope * (x * across + y * along)

    cells = scattered(plane)
    assert room(lowered(limits(plane(*centres()), 0.3 + 1.2 * slope), cells), cells).min() > 0.2


def wall(x, y):
    """Return the height of a wall of 1.4 m whose face is 0.2 m wide in plan, m."""
    return 1.4 * np.clip((x - EDGE) / 0.2, 0.0, 1.0)


def rounded():
    """Return the limits of a surface that rounds the wall off over 2 m."""
    x, _ = centres()
    return limits(1.4 * np.clip((x - EDGE) / 2.0 + 0.5, 0.0, 1.0), np.where(abs(x - EDGE) < 2.0, 1.5, 0.3))


def test_before_a_wall_ground_lies_no_higher_than_the_ground_behind():
    x, _ = centres()
    high = lowered(rounded(), scattered(wall))
    # By hand: from 1.5 to 0.75 m before the wall the ground behind is level.
    before = (x > EDGE - 1.5) & (x < EDGE - 0.75)
    assert np.quantile(high[before], 0.9) <= 0.36
    assert (high[before] >= 0.35 - 1e-6).all()


def test_a_wall_keeps_its_top_and_its_face():
    cells = scattered(wall)
    left = room(lowered(rounded(), cells), cells)
    assert (left[(cells.x > EDGE + 0.2)[1:-1, 1:-1]] > 0.0).all()
    # Cells of the face may hold a point of its foot behind those of its top.
    face = ((cells.x > EDGE) & (cells.x < EDGE + 0.2))[1:-1, 1:-1]
    assert face.sum() > 5
    assert (left[face] > 0.0).mean() > 0.7


def test_beside_cliffs_nothing_is_lowered():
    x, _ = centres()
    before = rounded()
    high = lowered(before, scattered(wall), cliffs=abs(x - (EDGE - 1.25)) < 0.1)
    beside = abs(x - (EDGE - 1.25)) < 0.6
    np.testing.assert_array_equal(high[beside], before.high[beside])
    assert (high < before.high).any()


def test_points_too_low_to_be_ground_take_nothing():
    cells = scattered(wall)
    deep = np.random.default_rng(6).random((ROWS, COLUMNS)) < 0.1
    low = cells._replace(z=np.where(deep, cells.z - 5.0, cells.z))
    # A point less to look at may leave a limit higher, never lower.
    assert (lowered(rounded(), low) >= lowered(rounded(), cells)).all()


def test_no_points_change_nothing():
    nothing = LowestPoints(0, 0, *(np.full((ROWS, COLUMNS), np.nan) for _ in range(3)))
    np.testing.assert_array_equal(lowered(rounded(), nothing), rounded().high)


def test_threads_do_not_show():
    cells = scattered(wall)
    np.testing.assert_array_equal(lowered(rounded(), cells, threads=3), lowered(rounded(), cells))
