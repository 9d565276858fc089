"""Patches of cells against scipy's graph components; their rims against hand-worked rasters and plain walks.

Sources: scipy.sparse.csgraph.connected_components over a list of pairs for the patches; the rims are counted
anew by a walk written from the docstrings' words, and by hand where a raster is small.
"""

import numpy as np
import pytest
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

from cloudprep.kernels.ground_joins import (
    DROP,
    EDGE,
    OTHER,
    RISE,
    SMOOTH,
    island_rims,
    patches,
    region_rims,
    shore,
)

DIRECTIONS = [(r, c) for r in (-1, 0, 1) for c in (-1, 0, 1) if (r, c) != (0, 0)]


def points(seed, shape=(14, 17), cell=1.5):
    """Return one point a cell, anywhere in its cell, and which cells have one."""
    rng = np.random.default_rng(seed)
    row, column = np.mgrid[0 : shape[0], 0 : shape[1]]
    x = (column + rng.random(shape)) * cell
    y = (row + rng.random(shape)) * cell
    z = np.cumsum(rng.normal(0, 0.6, shape), axis=1)
    return x, y, z, rng.random(shape) < 0.8


def level_points(z, cell=1.0):
    row, column = np.mgrid[0 : z.shape[0], 0 : z.shape[1]]
    return (column + 0.5) * cell, (row + 0.5) * cell, z


# -- patches -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize(("step", "rise"), [(0.3, 0.4), (0.0, 0.5), (5.0, 9.0)])
def test_patches_are_the_components_of_the_graph_of_neighbours(seed, step, rise):
    cell = 1.5
    x, y, z, member = points(seed, cell=cell)
    cells = np.argwhere(member)
    pairs = []
    for i, (r, c) in enumerate(cells):
        for j, (r2, c2) in enumerate(cells):
            if max(abs(r - r2), abs(c - c2)) > 2:  # cells that neither touch nor share a neighbour
                continue
            d = np.hypot(x[r, c] - x[r2, c2], y[r, c] - y[r2, c2])
            if d <= 2.3 * cell and abs(z[r, c] - z[r2, c2]) <= step + rise * d:
                pairs.append((i, j))
    rows, columns = np.array(pairs).T
    graph = coo_matrix((np.ones(len(pairs)), (rows, columns)), (len(cells), len(cells)))
    count, expected = connected_components(graph, directed=False)
    label, found = patches(x, y, z, member, cell=cell, step=step, rise=rise)
    assert found == count
    assert (label[~member] == -1).all()
    own = label[member]
    # One number of ours for one of theirs; ours are counted in the order of the cells.
    assert len({*zip(own.tolist(), expected.tolist(), strict=True)}) == count
    first = [int(np.flatnonzero(own == k)[0]) for k in range(count)]
    assert first == sorted(first)


def test_patches_by_hand():
    """A step of 1 m parts two halves; a cell of neither side stays alone; one that takes no part is -1."""
    z = np.array([[0.0, 0.1, 1.2, 1.1], [0.0, 0.2, 1.3, 1.2], [0.1, 9.0, 1.2, 1.0]])
    member = np.ones(z.shape, bool)
    member[1, 3] = False
    label, count = patches(*level_points(z), member, cell=1.0, step=0.3, rise=0.0)
    assert count == 3
    np.testing.assert_array_equal(label, [[0, 0, 1, 1], [0, 0, 1, -1], [0, 2, 1, 1]])


def test_patches_stay_when_the_raster_is_turned_over_or_lifted():
    x, y, z, member = points(9)
    label, count = patches(x, y, z, member, cell=1.5, step=0.3, rise=0.4)
    assert count > 3
    wide = 1.5 * z.shape[1]
    for turned in (
        patches(*(a[:, ::-1].copy() for a in (wide - x, y, z, member)), cell=1.5, step=0.3, rise=0.4)[0][
            :, ::-1
        ],
        patches(*(a.T.copy() for a in (y, x, z, member)), cell=1.5, step=0.3, rise=0.4)[0].T,
        patches(x, y, -z, member, cell=1.5, step=0.3, rise=0.4)[0],
        patches(x, y, z + 1024.0, member, cell=1.5, step=0.3, rise=0.4)[0],
    ):
        assert len({*zip(label.ravel().tolist(), turned.ravel().tolist(), strict=True)}) == count + 1


# -- rims ----------------------------------------------------------------------------------------------------


def labelled(seed, count=14, shape=(26, 30)):
    """Return heights, cells with data, inside, and blobs of patches with their sizes."""
    rng = np.random.default_rng(seed)
    middle = rng.uniform(0, 1, (count, 2)) * shape
    cells = np.argwhere(np.ones(shape, bool))
    near = ((cells[:, None] - middle) ** 2).sum(axis=2)
    label = np.where(near.min(axis=1) < 14, near.argmin(axis=1), -1).reshape(shape)
    have = rng.random(shape) < 0.7
    inside = rng.random(shape) < 0.93
    label = np.where(have, label, -1).astype(np.int32)
    z = rng.normal(0, 1.5, shape)
    size = np.bincount(label[label >= 0], minlength=count)
    return z, have, inside, label, size


def walk(shape, r, c, direction, far):
    """Return the cells from (r, c) in a direction, up to ``far`` of them; None beyond the raster."""
    for s in range(1, far + 1):
        r2, c2 = r + s * direction[0], c + s * direction[1]
        yield s, (r2, c2) if 0 <= r2 < shape[0] and 0 <= c2 < shape[1] else None


@pytest.mark.parametrize("seed", range(4))
def test_rims_of_islands_are_counted_as_said(seed):
    z, have, _, label, size = labelled(seed)
    expected = np.zeros((len(size), 5))
    for r, c in np.argwhere(label >= 0):
        for direction in DIRECTIONS:
            seen = [p for _, p in walk(z.shape, r, c, direction, 2) if p is not None and have[p]]
            if not seen or label[seen[0]] == label[r, c]:
                continue
            met, fall = label[seen[0]], z[r, c] - z[seen[0]]
            if met < 0 or size[met] <= size[label[r, c]] or abs(fall) <= 1.0:
                expected[label[r, c], OTHER] += 1
            else:
                expected[label[r, c], DROP if fall > 0 else RISE] += 1
    assert (expected[:, [DROP, RISE, OTHER]].sum(axis=0) > 10).all()
    np.testing.assert_array_equal(island_rims(z, have, label, size, least=1.0), expected)


@pytest.mark.parametrize("seed", range(4))
def test_shores_are_counted_as_said(seed):
    z, _, inside, label, size = labelled(seed)
    label = np.where(inside, label, -1).astype(np.int32)
    size = np.bincount(label[label >= 0], minlength=len(size))
    expected = np.zeros((len(size), 5))
    for r, c in np.argwhere(label >= 0):
        own = label[r, c]
        for direction in DIRECTIONS:
            for s, place in walk(z.shape, r, c, direction, 4):
                if place is None or not inside[place]:
                    expected[own, EDGE] += 1
                elif label[place] != own:
                    if label[place] < 0 or size[label[place]] <= size[own]:
                        continue
                    fall, most = z[r, c] - z[place], 0.5 + 0.25 * s
                    expected[own, SMOOTH if abs(fall) <= most else DROP if fall > 0 else RISE] += 1
                break
    assert (expected[:, [SMOOTH, DROP, RISE, EDGE]].sum(axis=0) > 10).all()
    assert not expected[size.argmax(), [SMOOTH, DROP, RISE]].any()
    np.testing.assert_array_equal(shore(z, inside, label, size, least=0.5, rise=0.25), expected)


@pytest.mark.parametrize("seed", range(4))
def test_rims_of_regions_are_counted_as_said(seed):
    z, have, inside, label, size = labelled(seed)
    x, y, _, _ = points(seed, z.shape, 1.0)
    x, y, z = (np.where(have, a, np.nan) for a in (x, y, z))
    ground = have & (label < 0) & (np.random.default_rng(seed).random(z.shape) < 0.6)
    expected = np.zeros((len(size), 5))
    for r, c in np.argwhere(label >= 0):
        for direction in DIRECTIONS:
            what = OTHER
            for _, place in walk(z.shape, r, c, direction, 2):
                if place is None or not inside[place]:
                    what = EDGE
                elif not have[place]:
                    continue
                elif label[place] == label[r, c]:
                    what = None
                elif ground[place]:
                    fall = z[r, c] - z[place]
                    far = np.hypot(x[r, c] - x[place], y[r, c] - y[place])
                    what = SMOOTH if abs(fall) <= 0.3 + 0.5 * far else DROP if fall > 0 else RISE
                break
            if what is not None:
                expected[label[r, c], what] += 1
    assert (expected.sum(axis=0) > 10).all()
    found = region_rims(
        x, y, z, inside=inside, ground=ground, label=label, count=len(size), step=0.3, rise=0.5
    )
    np.testing.assert_array_equal(found, expected)


def roof_on_a_plain():
    """Return a raster of 7 x 7 cells with a roof of 3 x 3 cells 4 m above the ground in its middle."""
    z = np.zeros((7, 7))
    z[2:5, 2:5] = 4.0
    label = np.zeros(z.shape, np.int32)
    label[2:5, 2:5] = 1
    return z, label, np.array([40, 9])


def test_rims_by_hand_a_roof_meets_the_ground_by_drops_only():
    """By hand: 4 roof corners look out in 5 directions, its 4 other rim cells in 3, the middle in none."""
    z, label, size = roof_on_a_plain()
    everywhere = np.ones(z.shape, bool)
    drops = [0.0] * 5
    drops[DROP] = 32.0
    assert island_rims(z, everywhere, label, size, least=1.0)[1].tolist() == drops
    met = shore(z, everywhere, label, size, least=1.0, rise=0.5)
    assert met[1].tolist() == drops
    pit = [0.0] * 5
    pit[RISE] = 32.0
    assert island_rims(-z, everywhere, label, size, least=1.0)[1].tolist() == pit
    # Seen from the ground the smaller patch counts as "other", and a raster without ground has an edge alone.
    assert island_rims(z, everywhere, label, size, least=1.0)[0, OTHER] == 32
    x, y, _ = level_points(z)
    roof = np.where(label == 1, 0, -1).astype(np.int32)
    region = region_rims(x, y, z, inside=everywhere, ground=roof < 0, label=roof, count=1, step=0.3, rise=0.5)
    assert region.tolist() == [drops]


def test_shores_look_across_four_cells_and_no_more():
    """By hand: a strip that belongs to no patch, three cells wide, is stepped over; one of four is not."""
    for gap, contacts in ((3, 1.0), (4, 0.0)):
        label = np.array([[0] + [-1] * gap + [1] * 9], np.int32)
        z = np.where(label == 0, 5.0, 0.0)
        inside = np.ones(z.shape, bool)
        assert shore(z, inside, label, np.array([1, 9]), least=1.0, rise=0.5)[0, DROP] == contacts


@pytest.mark.parametrize("seed", range(3))
def test_rims_stay_when_the_raster_is_turned_over(seed):
    z, have, inside, label, size = labelled(seed)
    here = island_rims(z, have, label, size, least=1.0)
    shores = shore(z, inside, label, size, least=0.5, rise=0.25)
    for turn in (lambda a: a[::-1].copy(), lambda a: a[:, ::-1].copy(), lambda a: a.T.copy()):
        np.testing.assert_array_equal(island_rims(turn(z), turn(have), turn(label), size, least=1.0), here)
        np.testing.assert_array_equal(
            shore(turn(z), turn(inside), turn(label), size, least=0.5, rise=0.25), shores
        )
    upside_down = island_rims(-z, have, label, size, least=1.0)
    np.testing.assert_array_equal(upside_down[:, [DROP, RISE, OTHER]], here[:, [RISE, DROP, OTHER]])
