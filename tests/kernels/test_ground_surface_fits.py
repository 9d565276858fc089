"""The fitted ground surface on land whose ground is known: planes, roofs, low groups, benches, crests.

Sources: the formulas that made the land; a tilted plane bends nowhere, so a thin plate through any of its
points is the plane.
"""

import numpy as np
import pytest

from cloudprep.kernels.bilinear import bilinear
from cloudprep.kernels.ground_cells import LowestPoints, gathered
from cloudprep.kernels.ground_surface import Rules, ground_surface, only_lowest, without_low_groups

FINE, WIDE, SPACING = 0.5, 2, 1.0
SHAPE = (80, 90)


def land(height, shape=SHAPE, seed=1, share=0.5, column=0, row=0):
    """Return lowest points of fine cells, of which a share holds one, at heights of a function (m)."""
    rng = np.random.default_rng(seed)
    r, c = np.mgrid[0 : shape[0], 0 : shape[1]]
    x, y = (c + rng.random(shape)) * FINE, (r + rng.random(shape)) * FINE
    have = rng.random(shape) < share
    x, y, z = (np.where(have, a, np.nan) for a in (x, y, height(x, y, rng)))
    return LowestPoints(column, row, x + column * FINE, y + row * FINE, z)


def fitted(cells, phase=(0, 0), wide=WIDE, spacing=SPACING):
    return ground_surface(cells, fine=FINE, wide=wide, spacing=spacing, phase=phase)


def at(surface, x, y, phase=(0, 0)):
    """Return a surface's heights at positions, m from the lattice's start."""
    across = (np.asarray(x) - phase[0] * FINE) / surface.cell - surface.column
    up = (np.asarray(y) - phase[1] * FINE) / surface.cell - surface.row
    return bilinear(surface.height, across.ravel(), up.ravel()).reshape(np.shape(x))


def residuals(cells, surface, phase=(0, 0)):
    have = cells.have
    return cells.z[have] - at(surface, cells.x[have], cells.y[have], phase)


@pytest.mark.parametrize("tilt", [(0.0, 0.0), (0.2, -0.1), (0.6, 0.5)])
@pytest.mark.parametrize("phase", [(0, 0), (1, 0), (0, 1)])
def test_planes_are_their_own_ground(tilt, phase):
    cells = land(lambda x, y, rng: 30 + tilt[0] * x + tilt[1] * y)
    surface = fitted(cells, phase)
    left = residuals(cells, surface, phase)
    # The outermost half cell goes on level, by a quarter of a cell at most on the mean.
    assert np.abs(np.median(left)) < 2e-3
    assert np.abs(left).max() < 0.005 + 0.5 * (abs(tilt[0]) + abs(tilt[1]))
    inner = surface.height[2:-2, 2:-2]
    r, c = np.mgrid[0 : inner.shape[0], 0 : inner.shape[1]] + 2.5
    x = (c + surface.column) * surface.cell + phase[0] * FINE
    y = (r + surface.row) * surface.cell + phase[1] * FINE
    np.testing.assert_allclose(inner, 30 + tilt[0] * x + tilt[1] * y, atol=0.03)
    assert surface.support.mean() > 0.6
    assert surface.roughness < 0.01
    assert surface.overgrown == 0


def test_noise_is_smoothed_and_its_roughness_grows_with_it():
    """The surface follows a part of the noise; what is left is measured by numpy's median here."""
    found = []
    for noise in (0.02, 0.04):
        cells = land(lambda x, y, rng, noise=noise: noise * rng.normal(0, 1, x.shape))
        surface = fitted(cells)
        lowest = gathered(cells, WIDE).z
        assert surface.height[2:-2, 2:-2].std() < 0.75 * np.nanstd(lowest)
        differences = np.abs(np.r_[np.diff(lowest, axis=0).ravel(), np.diff(lowest, axis=1).ravel()])
        assert 0.5 < surface.roughness / np.nanmedian(differences) < 1
        assert surface.overgrown == 0
        found.append(surface.roughness)
    assert found[1] == pytest.approx(2 * found[0], rel=0.15)


def test_what_stands_close_above_the_ground_counts_as_overgrown():
    """By hand: every second strip of 2 m holds plants of 1 m alone, half of the land is overgrown.

    The ground is what lies in the other strips, so that there is one plant cell on each of its cells.
    """
    cells = land(lambda x, y, rng: np.where(x % 4 < 2, 0.0, 1.0), share=1.0)
    surface = fitted(cells)
    assert surface.overgrown == pytest.approx(1.0, abs=0.1)
    np.testing.assert_allclose(surface.height, 0.0, atol=0.1)


def house(x, y):
    return (abs(x - 22) < 6) & (abs(y - 20) < 5)


@pytest.mark.parametrize("tilt", [0.0, 0.15])
def test_the_ground_goes_on_below_a_house(tilt):
    cells = land(lambda x, y, rng: 10 + tilt * x + 5.0 * house(x, y) + rng.normal(0, 0.02, x.shape))
    surface = fitted(cells)
    x, y = cells.x[cells.have], cells.y[cells.have]
    np.testing.assert_allclose(residuals(cells, surface)[house(x, y)], 5.0, atol=0.15)
    c, r = (np.arange(n) * surface.cell + 0.5 * surface.cell for n in surface.height.shape[::-1])
    inside = house(c[None], r[:, None])
    assert inside.sum() > 100
    assert not surface.support[inside].any()
    assert surface.support[~inside].mean() > 0.6


def level_land(z, fine):
    r, c = np.mgrid[0 : z.shape[0], 0 : z.shape[1]]
    return LowestPoints(0, 0, (c + 0.5) * fine, (r + 0.5) * fine, z)


def test_the_ground_goes_on_below_a_roof_wider_than_the_largest_disk():
    """No disk of 4 m removes anything of a roof of 72 x 68 m, but drops all along its rim betray it."""
    z = np.zeros((108, 110))
    z[20:92, 20:88] = 6.0
    surface = ground_surface(level_land(z, 1.0), fine=1.0, wide=2, spacing=1.0, rules=Rules(window=4.0))
    np.testing.assert_allclose(surface.height, 0.0, atol=0.1)
    assert not surface.support[10:46, 10:44].any()
    assert surface.support[:9].mean() > 0.9


def test_a_bench_with_a_face_behind_it_is_ground():
    """A bench of 40 x 12 m, 6 m above the foot and 6 m below the top, drops on three sides alone."""
    z = np.zeros((110, 120))
    z[:40] = 12.0
    z[40:64, 20:100] = 6.0
    surface = ground_surface(level_land(z, 0.5), fine=0.5, wide=2, spacing=0.5, rules=Rules(window=4.0))
    bench = surface.support[21:31, 11:49], surface.height[22:30, 12:48]
    assert bench[0].mean() > 0.9
    np.testing.assert_allclose(bench[1], 6.0, atol=0.3)


def bay(front):
    """Return land with material 4 m high between walls on three sides, open to the north by a front (m)."""

    def height(x, y, rng):
        inside = (x > 10) & (x < 26) & (y > 10) & (y < 22)
        fill = np.clip(4.0 * (22 - y) / front, 0, 4.0)
        walls = ((x > 9) & (x < 27) & (y > 9) & (y < 22)) & ~((x > 10) & (x < 26) & (y > 10))
        return np.where(inside, fill, np.where(walls, 4.6, 0.0)) + 0.02 * rng.normal(0, 1, x.shape)

    return land(height, share=0.95)


@pytest.mark.parametrize(("front", "kept"), [(4.0, True), (3.0, True), (0.01, False)])
def test_material_in_a_bay_is_ground_if_one_can_go_up_to_it(front, kept):
    """Fronts of 45 and 53 degrees, and an upright one: a roof of the same size, with the same parapet."""
    surface = ground_surface(bay(front), fine=FINE, wide=WIDE, spacing=0.5)
    x, y = np.meshgrid(np.arange(12.0, 24.5, 0.5), np.arange(12.0, 17.0, 0.5))
    np.testing.assert_allclose(at(surface, x, y), 4.0 if kept else 0.0, atol=0.3)
    assert surface.heap.any() == surface.wall.any() == kept
    # Walls carry no surface.
    row, column = np.nonzero(surface.wall)
    assert not surface.support[row, column].any()


def cut_off(slope):
    """Return a level 11 m above the rest, cut off by the data's edge; maybe with a slope of 6 m width."""
    z = np.zeros((130, 130))
    z[:40] = 11.0
    r, c = np.mgrid[0:130, 0:130]
    down = np.clip(11.0 - 0.25 * (r - 39), 0.0, 11.0)
    return np.where((c < 12) & slope, down, z)


@pytest.mark.parametrize("slope", [True, False])
def test_what_the_edge_cuts_off_is_ground_if_it_hangs_together_with_it(slope):
    """A plateau of 65 x 20 m, of which a slope leads down, is ground, and the roof of a cut hall isn't."""
    surface = ground_surface(level_land(cut_off(slope), 0.5), fine=0.5, wide=2, spacing=0.5)
    above = surface.support[2:18, 8:63], surface.height[2:18, 8:63]
    assert above[0].mean() == pytest.approx(float(slope), abs=0.02)
    np.testing.assert_allclose(above[1], 11.0 * slope, atol=0.3)
    assert surface.support[24:, 8:].mean() > 0.9


def ramp(faces):
    """Return a road of 12 m width up faces of 10 m, in a cutting above, on a dam below; and where it is."""
    r, c = np.mgrid[0:200, 0:260]
    x, y = (c + 0.5) * FINE, (r + 0.5) * FINE
    top = 10.0 * len(faces)
    z = sum(10.0 * np.clip((x - face) / 0.4, 0.0, 1.0) for face in faces)
    road = np.clip(0.4 * (x - 30.0), 0.0, top)
    beside = np.maximum(abs(y - 50.0) - 6.0, 0.0)
    z = np.where(x > 30.0, np.clip(z, road - 6.0 * beside, road + 6.0 * beside), z)
    return z, (abs(y - 50.0) < 5.0) & (x > 30.0) & (road < top)


@pytest.mark.parametrize("faces", [(70.0,), (70.0, 80.0, 90.0)])
def test_a_ramp_up_faces_is_ground(faces):
    z, on = ramp(faces)
    surface = ground_surface(level_land(z, FINE), fine=FINE, wide=2, spacing=FINE)
    road = on[::2, ::2]
    heights = (z[::2, ::2] + z[1::2, 1::2]) / 2
    assert surface.support[road].mean() > 0.95
    assert np.median(np.abs(surface.height - heights)[road]) < 0.1


@pytest.mark.parametrize(("degrees", "share"), [(30, 0.5), (40, 0.3), (50, 0.7)])
def test_crests_are_ground(degrees, share):
    """A dam 8 m high with a sharp crest; 50 degrees are steeper than any heap of earth."""
    rise = np.tan(np.radians(degrees))
    cells = land(lambda x, y, rng: np.maximum(0, 8 - rise * abs(x - 22)), share=share)
    surface = fitted(cells, spacing=1 / np.sqrt(4 * share))
    rows, columns = surface.height.shape
    held = cells.have.reshape(rows, 2, columns, 2).any(axis=(1, 3))
    assert surface.support[held].mean() > 0.97


@pytest.mark.parametrize("size", [1, 2])
def test_groups_of_low_points_are_left_out(size):
    """Groups of size x size m, 4 m down, where their neighbours are a plane: they carry nothing."""
    r, c = np.mgrid[0:80, 0:80]
    low = (r % 40 >= 20) & (r % 40 < 20 + 2 * size) & (c % 40 >= 20) & (c % 40 < 20 + 2 * size)
    plane = 3 + 0.1 * c * FINE
    cells = LowestPoints(0, 0, (c + 0.5) * FINE, (r + 0.5) * FINE, np.where(low, plane - 4, plane))
    kept = without_low_groups(cells, gathered(cells, 2), 2, (0, 0))
    np.testing.assert_array_equal(kept.have, ~low)
    np.testing.assert_array_equal(kept.z[~low], plane[~low])
    for away, own in ((kept.x, cells.x), (kept.y, cells.y)):
        np.testing.assert_array_equal(away[~low], own[~low])
        assert np.isnan(away[low]).all()
    surface = ground_surface(cells, fine=FINE, wide=2, spacing=0.5)
    np.testing.assert_allclose(
        surface.height[1:-1, 1:-1], (plane[::2, ::2] + plane[1::2, 1::2])[1:-1, 1:-1] / 2, atol=0.05
    )
    # Without any such group nothing is touched.
    whole = cells._replace(z=plane)
    assert without_low_groups(whole, gathered(whole, 2), 2, (0, 0)) is whole


def rough(x, y, rng):
    return 2 * np.sin(x / 9) + 0.1 * y + rng.normal(0, 0.05, x.shape) + 4.0 * house(x, y)


def test_surfaces_stay_when_the_site_moves_by_whole_cells():
    here = fitted(land(rough))
    there = fitted(land(rough, column=4096, row=-1024))
    assert (there.column - here.column, there.row - here.row) == (2048, -512)
    np.testing.assert_array_equal(there.support, here.support)
    np.testing.assert_allclose(there.height, here.height, atol=1e-6)


def test_surfaces_rise_with_the_land():
    cells = land(rough)
    here, there = fitted(cells), fitted(cells._replace(z=cells.z + 64.0))
    np.testing.assert_allclose(there.height - 64, here.height, atol=5e-3)
    assert np.mean(there.support != here.support) < 0.002


@pytest.mark.parametrize("turn", ["mirror", "transpose"])
def test_surfaces_turn_over_with_the_land(turn):
    cells = land(rough)
    here = fitted(cells)
    if turn == "mirror":
        wide = SHAPE[1] * FINE
        x, y, z = (a[:, ::-1].copy() for a in (wide - cells.x, cells.y, cells.z))
        there = fitted(LowestPoints(0, 0, x, y, z))
        height, support = there.height[:, ::-1], there.support[:, ::-1]
    else:
        there = fitted(LowestPoints(0, 0, *(a.T.copy() for a in (cells.y, cells.x, cells.z))))
        height, support = there.height.T, there.support.T
    assert np.mean(support != here.support) < 0.01
    assert np.abs(height - here.height).mean() < 0.005
    assert np.abs(height - here.height).max() < 0.1


def test_surfaces_are_carried_by_points_only():
    """No cell without a point supports the ground; a gap of 9 x 9 m is bridged by the plane around it."""
    cells = land(lambda x, y, rng: 5 + 0.2 * x, share=0.8)
    gap = (abs(cells.x - 22) < 4.5) & (abs(cells.y - 20) < 4.5)
    cells = cells._replace(**{n: np.where(gap, np.nan, getattr(cells, n)) for n in ("x", "y", "z")})
    surface = fitted(cells)
    rows, columns = surface.height.shape
    held = cells.have.reshape(rows, 2, columns, 2).any(axis=(1, 3))
    assert not surface.support[~held].any()
    assert np.count_nonzero(~held) >= 60
    assert at(surface, 22.0, 20.0) == pytest.approx(5 + 0.2 * 22, abs=0.01)
    assert np.isfinite(surface.height).all()


# -- ground that shows in single points ----------------------------------------------------------------------


@pytest.mark.parametrize("phase", [(0, 0), (1, 0), (0, 1)])
@pytest.mark.parametrize("times", [2, 5])
def test_only_the_lowest_points_of_wide_cells_are_left(phase, times):
    """Against a loop over the points, by the wide cell that each lies in."""
    cells = land(lambda x, y, rng: rng.normal(0, 1, x.shape), shape=(37, 43), column=-7, row=11)
    moved = cells._replace(column=cells.column - phase[0], row=cells.row - phase[1])
    own, wide = gathered(moved, 2), gathered(moved, 2 * times)
    lowest = {}
    for r, c in zip(*np.nonzero(cells.have), strict=True):
        key = (r + moved.row) // (2 * times), (c + moved.column) // (2 * times)
        point = cells.z[r, c], cells.x[r, c], cells.y[r, c]
        lowest[key] = min(lowest.get(key, point), point)
    left = only_lowest(own, wide, times)
    assert sorted(zip(left.z[left.have], left.x[left.have], left.y[left.have], strict=True)) == sorted(
        lowest.values()
    )
    # Each stays in its cell of the raster.
    np.testing.assert_array_equal(left.z[left.have], own.z[left.have])


def forest(columns=160, seed=2, slope=0.5):
    """Return lowest points under crowns 6 to 14 m up, of which one in 25 is ground, but for x from 80 m."""
    truth = {}

    def height(x, y, rng):
        truth["bare"] = (rng.random(x.shape) < 0.04) & (x < 80)
        return 100 + slope * y + np.where(truth["bare"], 0, rng.uniform(6, 14, x.shape))

    cells = land(height, shape=(160, columns), seed=seed, share=0.8)
    return cells, cells.have & truth["bare"]


def off(cells, bare, surface, slope=0.5):
    """Return how far a surface is from the forest's ground points, m."""
    return at(surface, cells.x[bare], cells.y[bare]) - (100 + slope * cells.y[bare])


def test_scattered_ground_lies_on_the_lowest_points_of_wider_cells():
    cells, bare = forest()
    narrow = fitted(cells)
    spread = ground_surface(cells, fine=FINE, wide=16, spacing=8.0, scattered=True)
    assert narrow.together < 0.4
    assert spread.together > 0.8
    # One cell in 25 holds ground: ten points in a cell of 8 m, and between them the ground is level enough.
    assert np.sqrt(np.mean(off(cells, bare, spread) ** 2)) < 0.3
    assert np.sqrt(np.mean(off(cells, bare, narrow) ** 2)) > 0.3


@pytest.mark.parametrize("columns", [161, 162, 164])
def test_wide_cells_of_crowns_alone_at_the_edge_carry_no_ground(columns):
    """The last wide column is a sliver that no ground shows in; if not let down it is 0.6 to 0.8 m off."""
    cells, bare = forest(columns)
    surface = ground_surface(cells, fine=FINE, wide=16, spacing=8.0, scattered=True)
    assert np.sqrt(np.mean(off(cells, bare, surface) ** 2)) < 0.3
