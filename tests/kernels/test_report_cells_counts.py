"""What a report says of cells: held against plain NumPy, and the same for any order of points."""

import numpy as np
import pytest

from cloudprep.kernels.report_cells import (
    NO_LINE,
    add_points,
    chosen_points,
    empty_cells,
    empty_counts,
)

ROWS, COLUMNS, CELL = 7, 9, 2.0
PLACE = (-3.0, 5.0, CELL)
HEIGHTS = (10.0, 60.0)


def made_up(count=3000, seed=1):
    rng = np.random.default_rng(seed)
    return {
        "x": rng.uniform(-4.0, -3.0 + COLUMNS * CELL + 1.0, count),  # some lie outside
        "y": rng.uniform(4.0, 5.0 + ROWS * CELL + 1.0, count),
        "z": np.round(rng.uniform(*HEIGHTS, count), 3),
        "codes": rng.choice(np.array([1, 2, 5, 7, 18], np.uint8), count, p=[0.3, 0.4, 0.2, 0.06, 0.04]),
        "sure": rng.integers(0, 101, count).astype(np.uint8),
        "intensity": rng.integers(0, 65_536, count).astype(np.uint16),
        "line": rng.integers(3, 7, count).astype(np.int64),
    }


def gathered(points, order, pieces=1):
    cells, counts = empty_cells(ROWS, COLUMNS), empty_counts()
    for rows in np.array_split(order, pieces):
        p = {name: values[rows] for name, values in points.items()}
        add_points(
            p["x"],
            p["y"],
            p["z"],
            p["codes"],
            cells,
            counts,
            place=PLACE,
            heights=HEIGHTS,
            sure=p["sure"],
            intensity=p["intensity"],
            line=p["line"],
        )
    return cells, counts


def test_cells_and_histograms_are_those_of_numpy():
    p = made_up()
    cells, counts = gathered(p, np.arange(len(p["x"])))
    column, row = np.floor((p["x"] + 3.0) / CELL), np.floor((p["y"] - 5.0) / CELL)
    noise, ground = np.isin(p["codes"], (7, 18)), p["codes"] == 2
    for r in range(ROWS):
        for c in range(COLUMNS):
            here = (row == r) & (column == c)
            used = here & ~noise
            assert cells.points[r, c] == used.sum()
            assert cells.noise[r, c] == (here & noise).sum()
            assert cells.ground[r, c] == (here & ground).sum()
            assert cells.low[r, c] == np.float32(p["z"][used].min())
            assert cells.high[r, c] == np.float32(p["z"][used].max())
            assert cells.high_code[r, c] == p["codes"][used][np.argmax(p["z"][used])]
            bottom = p["z"][here & ground]
            assert cells.ground_low[r, c] == np.float32(bottom.min())
            assert cells.ground_high[r, c] == np.float32(bottom.max())
            assert cells.ground_sum[r, c] * 1e-4 + 10.0 * len(bottom) == pytest.approx(bottom.sum())
            levels = {int(v) % 64 for v in np.floor(p["z"][used])}
            assert {k for k in range(64) if int(cells.levels[r, c]) >> k & 1} == levels
            judged = here & ground & (p["sure"] > 0)
            assert cells.sure_count[r, c] == judged.sum()
            assert cells.sure_sum[r, c] == p["sure"][judged].sum()
            lines = np.unique(p["line"][here & ground])[:2]
            assert cells.line[r, c].tolist() == [*lines.tolist(), *[NO_LINE] * (2 - len(lines))]
            for k, line in enumerate(lines):
                of_line = here & ground & (p["line"] == line)
                assert cells.line_count[r, c, k] == of_line.sum()
    assert counts.codes.tolist() == np.bincount(p["codes"], minlength=256).tolist()
    assert counts.intensity.tolist() == np.bincount(p["intensity"][~noise], minlength=65_536).tolist()
    assert counts.heights.sum(axis=1).tolist() == [
        ground.sum(),
        (~ground & ~noise).sum(),
        noise.sum(),
    ]


def test_no_order_and_no_pieces_show():
    p = made_up()
    first = gathered(p, np.arange(len(p["x"])))
    second = gathered(p, np.random.default_rng(2).permutation(len(p["x"])), pieces=7)
    for a, b in zip((*first[0], *first[1]), (*second[0], *second[1]), strict=True):
        np.testing.assert_array_equal(a, b)


def test_points_are_chosen_by_place_alone_and_evenly():
    p = made_up(200_000)
    names = ("x", "y", "z", "codes")
    shares = np.full(256, 0.1)
    shares[7] = 1.0
    rows, hashes = chosen_points(*(p[n] for n in names), shares)
    order = np.random.default_rng(3).permutation(len(p["x"]))
    again, hashes_again = chosen_points(*(p[n][order] for n in names), shares)
    assert set(order[again].tolist()) == set(rows.tolist())
    assert sorted(hashes.tolist()) == sorted(hashes_again.tolist())
    low = p["codes"] == 7
    assert np.isin(np.flatnonzero(low), rows).all()
    # A tenth of the others, give or take four standard deviations of a binomial count.
    others = int((~low).sum())
    taken = int((~low[rows]).sum())
    assert abs(taken - 0.1 * others) < 4 * np.sqrt(others * 0.09)
    # No part of the site has more of them than another: a chi-square statistic over squares of the plan,
    # whose mean is the number of squares and whose variance twice that.
    square = (p["x"] // 2.0).astype(int) * 100 + (p["y"] // 2.0).astype(int)
    _, place = np.unique(square, return_inverse=True)
    expected = 0.1 * np.bincount(place[~low])
    kept = np.bincount(place[rows[~low[rows]]], minlength=len(expected))
    statistic = float(((kept - expected) ** 2 / (0.9 * expected)).sum())
    assert statistic < len(expected) + 4 * np.sqrt(2 * len(expected))
