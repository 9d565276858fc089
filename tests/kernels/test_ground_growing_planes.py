"""Ground grows where a plane through one side predicts a point: against least squares by numpy, and by hand.

Source: numpy.linalg.lstsq for the planes (ridge regression written as rows added to the equations, as in
Hoerl and Kennard, Technometrics 12, 1970; from memory).
"""

import numpy as np
import pytest

from cloudprep.kernels.ground_growing import Growing, grow

RULES = Growing()


def raster(seed, shape=(16, 19), cell=1.5):
    """Return points, one a cell, of rough ground with a crest, and what is ground so far."""
    rng = np.random.default_rng(seed)
    row, column = np.mgrid[0 : shape[0], 0 : shape[1]]
    x, y = (column + rng.random(shape)) * cell, (row + rng.random(shape)) * cell
    z = 0.3 * x - 0.5 * np.abs(y - 12.0) + rng.normal(0, 0.25, shape)
    have = rng.random(shape) < 0.85
    ground = have & (rng.random(shape) < 0.5)
    return x, y, z, have, ground, cell


def predicted(px, py, pz, cell, rules):
    """Return the height at the origin, and the gradient, of the ridge plane through points, by lstsq."""
    m = len(px)
    middle = np.array([px.mean(), py.mean()])
    design = np.c_[np.ones(m), px - middle[0], py - middle[1]]
    weight = np.sqrt(rules.steadying * m) * cell
    ridge = np.array([[0.0, weight, 0.0], [0.0, 0.0, weight]])
    (level, gx, gy), *_ = np.linalg.lstsq(np.r_[design, ridge], np.r_[pz, 0.0, 0.0], rcond=None)
    rms = np.sqrt(np.mean((design @ (level, gx, gy) - pz) ** 2))
    return level - gx * middle[0] - gy * middle[1], np.hypot(gx, gy), rms


def one_round(x, y, z, candidate, ground, cell, rules):
    """Return the ground after one round, and how close any decision came to going the other way."""
    grown, margin = ground.copy(), np.inf
    for r, c in np.argwhere(candidate & ~ground):
        u, v, w = x[ground] - x[r, c], y[ground] - y[r, c], z[ground] - z[r, c]
        rows, columns = np.nonzero(ground)
        apart = np.maximum(abs(rows - r), abs(columns - c))
        d = np.hypot(u, v)
        around = (apart <= rules.reach) & (d <= rules.reach * cell)
        if around.sum() < rules.fewest or not (apart[around] <= 2).any():
            continue
        best = np.inf
        for k in range(8):
            turn = np.degrees(np.arctan2(v, u)) - 45.0 * k
            sector = around & (np.abs((turn + 180) % 360 - 180) < 60)
            if sector.sum() < rules.fewest or not (d[sector] < rules.near * cell).any():
                continue
            height, gradient, rms = predicted(u[sector], v[sector], w[sector], cell, rules)
            margin = min(margin, abs(rms - rules.roughest))
            if rms <= rules.roughest:
                best = min(best, abs(height) - rules.slack * gradient * cell)
        margin = min(margin, abs(best - rules.nearness))
        grown[r, c] = best <= rules.nearness
    return grown, margin


@pytest.mark.parametrize("seed", range(5))
@pytest.mark.parametrize("rules", [RULES, Growing(reach=3, near=1.6, fewest=6, roughest=0.28, nearness=0.1)])
def test_growing_adds_what_least_squares_predict(seed, rules):
    x, y, z, have, ground, cell = raster(seed)
    expected, margin = one_round(x, y, z, have, ground, cell, rules)
    assert margin > 1e-9
    grown = grow(x, y, z, have, ground, cell=cell, rounds=1, rules=rules)
    np.testing.assert_array_equal(grown, expected)
    added = np.count_nonzero(expected & ~ground)
    assert 5 < added < np.count_nonzero(have & ~ground) - 5
    # A second round builds on the first.
    again, margin = one_round(x, y, z, have, expected, cell, rules)
    assert margin > 1e-9
    twice = grow(x, y, z, have, ground, cell=cell, rounds=2, rules=rules)
    np.testing.assert_array_equal(twice, again)


@pytest.mark.parametrize("seed", range(3))
def test_growing_takes_candidates_only_and_loses_nothing(seed):
    x, y, z, have, ground, cell = raster(seed)
    candidate = have & (np.random.default_rng(seed).random(have.shape) < 0.5)
    before = ground.copy()
    grown = grow(x, y, z, candidate, ground, cell=cell, rounds=9, rules=RULES)
    np.testing.assert_array_equal(ground, before)
    assert (grown >= ground).all()
    assert (grown <= ground | candidate).all()
    assert (grown & ~ground).any()


@pytest.mark.parametrize("seed", range(3))
def test_growing_stays_when_the_raster_is_turned_over_or_lifted(seed):
    x, y, z, have, ground, cell = raster(seed)
    here = grow(x, y, z, have, ground, cell=cell, rounds=3, rules=RULES)

    def turned(x, y, z, turn):
        return turn(
            grow(*(turn(a).copy() for a in (x, y, z, have, ground)), cell=cell, rounds=3, rules=RULES)
        )

    np.testing.assert_array_equal(turned(-x, y, z, lambda a: a[:, ::-1]), here)
    np.testing.assert_array_equal(turned(x, -y, z, lambda a: a[::-1]), here)
    np.testing.assert_array_equal(turned(y, x, z, lambda a: a.T), here)
    np.testing.assert_array_equal(turned(x + 512.0, y - 64.0, z + 128.0, lambda a: a), here)
    np.testing.assert_array_equal(turned(x, y, -z, lambda a: a), here)


def flank(rise):
    """Return a ridge along the middle column, ground on its western flank but for the last three columns."""
    row, column = np.mgrid[0:11, 0:21]
    x, y = column + 0.5, row + 0.5
    z = rise * (10.5 - abs(x - 10.5))
    ground = column < 8
    return x, y, z, ground


def test_growing_climbs_a_crest_and_stops_behind_it():
    """By hand: beyond a crest of 40 degrees to either side a plane overshoots.

    The plane through the western flank misses the column k cells behind the crest by 2 k rise = 1.7 k m,
    where 0.2 m plus 0.2 rise = 0.37 m is allowed.
    """
    x, y, z, ground = flank(np.tan(np.radians(40)))
    grown = grow(x, y, z, np.ones(z.shape, bool), ground, cell=1.0, rounds=30, rules=RULES)
    assert grown[:, 8:11].all()
    assert not grown[:, 11:].any()
    once = grow(x, y, z, np.ones(z.shape, bool), ground, cell=1.0, rounds=1, rules=RULES)
    assert once[:, 8].all()
    assert not once[:, 11:].any()


def test_growing_does_not_climb_a_wall():
    """By hand: a wall of 1 m is more than the 0.2 m that a level plane allows."""
    x, y, _, ground = flank(0.0)
    for height, goes_on in ((1.0, False), (-1.0, False), (0.15, True)):
        z = np.where(ground, 0.0, height)
        grown = grow(x, y, z, np.ones(z.shape, bool), ground, cell=1.0, rounds=4, rules=RULES)
        assert (grown & ~ground).any() == goes_on
