"""The fitted plate against a direct solution of the same equations, written down here from the definition.

Source of the solution: scipy.sparse.linalg.spsolve; of the energy: plain second differences of the raster.
"""

import numpy as np
import pytest
from scipy import ndimage, sparse
from scipy.sparse.linalg import spsolve

from cloudprep.kernels.thin_plate import SurfaceFitter, fit_surface
from cloudprep.kernels.thin_plate_coarsest import dense, inverted
from cloudprep.kernels.thin_plate_levels import prolong_row
from cloudprep.kernels.thin_plate_operator import factors

CENTIMETRE = 0.01


def differences(count, order):
    """Return the matrix of first or second differences along a line."""
    pattern = {1: [-1.0, 1.0], 2: [1.0, -2.0, 1.0]}[order]
    rows = max(count - order, 0)
    matrix = sparse.lil_matrix((rows, count))
    for row in range(rows):
        matrix[row, row : row + order + 1] = pattern
    return matrix.tocsr()


def bending(rows, columns):
    """Return the matrix of the energy: sum dxx^2 + dyy^2 + 2 dxy^2."""
    one = sparse.identity
    xx = sparse.kron(one(rows), differences(columns, 2))
    yy = sparse.kron(differences(rows, 2), one(columns))
    xy = sparse.kron(differences(rows, 1), differences(columns, 1))
    return xx.T @ xx + yy.T @ yy + 2 * xy.T @ xy


def direct(values, weights, stiffness):
    values, weights = np.where(weights > 0, values, 0.0), np.asarray(weights, float)
    matrix = sparse.diags_array(weights.ravel()) + stiffness * bending(*values.shape)
    return spsolve(sparse.csc_matrix(matrix), (weights * values).ravel()).reshape(values.shape)


def heights(rows, columns, seed=1):
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[:rows, :columns]
    return 300 + 20 * np.sin(x / 37) * np.cos(y / 29) + 0.1 * x + rng.normal(0, 0.1, (rows, columns))


def weights_of(scene, shape):
    rng = np.random.default_rng(2)
    full = np.ones(shape)
    if scene == "dense":
        return full
    if scene == "gaps":
        return (rng.random(shape) > 0.3).astype(float)
    if scene == "hole":
        full[10:110, 14:114] = 0
        return full
    if scene == "sparse":
        return (rng.random(shape) < 0.03).astype(float)
    if scene == "uneven":
        return 10 ** rng.uniform(-3, 0, shape)
    full[:, shape[1] // 8 :] = 0
    return full


SCENES = ("dense", "gaps", "hole", "sparse", "uneven", "one end")


@pytest.mark.parametrize("stiffness", [1e-3, 0.1, 10.0])
@pytest.mark.parametrize("scene", SCENES)
def test_a_fit_agrees_with_a_direct_solution_to_a_centimetre(scene, stiffness):
    values = heights(120, 131)
    weights = weights_of(scene, values.shape)
    if scene == "one end":
        # Beyond its reach a free plate is no use, and is tested below: here the data end nearby.
        values, weights = values[:, :30], weights[:, :30]
    expected = direct(values, weights, stiffness)
    hidden = np.where(weights > 0, values, np.nan)
    found = fit_surface(hidden, weights, stiffness, free_reach=np.inf)
    assert np.abs(found - expected).max() < CENTIMETRE


@pytest.mark.parametrize("scene", ["gaps", "hole", "sparse"])
def test_a_fit_doesnt_depend_on_the_start(scene):
    values = heights(120, 131)
    weights = weights_of(scene, values.shape)
    expected = direct(values, weights, 0.1)
    start = expected + 8 * np.sin(np.arange(131) / 9)
    found = fit_surface(values, weights, 0.1, start=start, free_reach=np.inf)
    assert np.abs(found - expected).max() < CENTIMETRE


@pytest.mark.parametrize("scene", ["hole", "one end"])
def test_cells_far_from_data_are_drawn_to_the_nearest_value(scene):
    values = heights(100, 131)
    weights = weights_of(scene, values.shape)
    distance, (row, column) = ndimage.distance_transform_edt(weights == 0, return_indices=True)
    far = distance > 15
    assert far.any()
    drawn = np.where(far, values[row, column], values)
    expected = direct(drawn, np.where(far, 0.1 / 30**4, weights), 0.1)
    assert np.abs(fit_surface(values, weights, 0.1) - expected).max() < CENTIMETRE


def test_a_huge_empty_corner_stays_bounded():
    rng = np.random.default_rng(3)
    values = rng.normal(50, 1, (600, 500))
    weights = np.zeros(values.shape)
    weights[:40, :40] = 1
    surface = fit_surface(values, weights, 0.1)
    low, high = values[weights > 0].min(), values[weights > 0].max()
    margin = high - low
    assert surface.min() > low - margin
    assert surface.max() < high + margin
    # Left free it runs away: the case is one.
    free = fit_surface(values, weights, 0.1, free_reach=np.inf)
    assert np.abs(free - 50).max() > 10 * margin


@pytest.mark.parametrize("stiffness", [1e-6, 1e4, 1e6])
def test_extreme_stiffness_converges(stiffness):
    values = heights(40, 50)
    weights = weights_of("gaps", values.shape)
    expected = direct(values, weights, stiffness)
    assert np.abs(fit_surface(values, weights, stiffness) - expected).max() < CENTIMETRE


@pytest.mark.parametrize(
    "shape", [(1, 1), (1, 2), (2, 1), (2, 2), (1, 9), (9, 1), (3, 3), (2, 50), (1, 1000), (5, 4)]
)
def test_rasters_of_any_shape_are_fitted(shape):
    values = np.random.default_rng(4).normal(0, 3, shape)
    expected = direct(values, np.ones(shape), 0.5)
    assert np.abs(fit_surface(values, np.ones(shape), 0.5) - expected).max() < CENTIMETRE


@pytest.mark.parametrize("scene", SCENES)
def test_planes_come_back_exactly_with_any_weights(scene):
    y, x = np.mgrid[:120, :131]
    plane = 250 + 0.3 * x - 0.7 * y
    found = fit_surface(plane, weights_of(scene, plane.shape), 1.0, free_reach=np.inf, tolerance=1e-4)
    assert np.abs(found - plane).max() < 1e-3


def test_a_single_line_of_data_goes_on_straight():
    # Nothing bends at the natural boundary: beyond the last data the line is continued.
    values = np.full((1, 30), np.nan)
    weights = np.zeros((1, 30))
    values[0, 10:20], weights[0, 10:20] = 3.0 + 0.5 * np.arange(10, 20), 1
    expected = 3.0 + 0.5 * np.arange(30)
    assert np.abs(fit_surface(values, weights, 0.1, tolerance=1e-4)[0] - expected).max() < 1e-3


VIEWS = {
    "mirrored": np.fliplr,
    "upside down": np.flipud,
    "turned": np.rot90,
    "transposed": np.transpose,
}


@pytest.mark.parametrize("view", VIEWS.values(), ids=VIEWS)
def test_a_raster_seen_another_way_gives_the_same_surface(view):
    values = heights(90, 77)
    weights = weights_of("gaps", values.shape)
    # The levels fall elsewhere, so equal up to what the iteration leaves.
    found = fit_surface(view(values), view(weights), 0.1, tolerance=1e-5)
    assert np.abs(found - view(fit_surface(values, weights, 0.1, tolerance=1e-5))).max() < 1e-4


def test_fits_repeat_to_the_bit_whatever_was_fitted_before():
    values = heights(70, 81)
    weights = weights_of("sparse", values.shape)
    first = fit_surface(values, weights, 0.1)
    fitter = SurfaceFitter(values.shape)
    fitter.fit(-5 * values, weights_of("gaps", values.shape), 7.0)
    fitter.fit(values, weights, 1e9)
    again = fitter.fit(values, weights, 0.1)
    assert first.tobytes() == again.tobytes()


def test_inputs_are_left_alone():
    values, weights = heights(30, 40), weights_of("gaps", (30, 40))
    given = values.copy(), weights.copy()
    for array in (values, weights):
        array.flags.writeable = False
    fit_surface(values, weights, 0.1, start=values)
    assert np.array_equal(values, given[0])
    assert np.array_equal(weights, given[1])


@pytest.mark.parametrize(
    ("values", "weights", "stiffness", "said"),
    [
        (np.ones((3, 4)), np.zeros((3, 4)), 1.0, "weight"),
        (np.ones((3, 4)), np.ones((4, 3)), 1.0, r"\(4, 3\)"),
        (np.ones((3, 4)), np.ones((3, 4)), 0.0, "stiffness"),
        (np.ones((3, 4)), np.ones((3, 4)), np.nan, "stiffness"),
    ],
)
def test_what_cant_be_fitted_is_refused(values, weights, stiffness, said):
    with pytest.raises(ValueError, match=said):
        fit_surface(values, weights, stiffness)


@pytest.mark.parametrize("count", [1, 2, 3, 4, 5, 9])
def test_factors_are_the_products_of_differences(count):
    found = factors(count, np.float64)[:, 2 : 2 + count]
    for order, first, diagonals in ((2, 0, 3), (1, 3, 2)):
        d = differences(count, order).toarray()
        expected = d.T @ d
        for k in range(min(diagonals, count)):
            assert np.array_equal(found[first + k, : count - k], np.diag(expected, k))


def test_coarse_equations_are_those_of_scaled_and_spread_out_coarse_cells():
    # (S P)' A (S P) with the weights of a transfer between cell centres: 3/4 and 1/4 along each axis.
    values, weights = heights(19, 22), weights_of("gaps", (19, 22))
    fitter = SurfaceFitter(values.shape)
    fitter.fit(values, weights, 0.5)

    def spread(count):
        matrix = np.zeros((count, count // 2 + 2))
        for i in range(count):
            own = i // 2 + 1
            matrix[i, own] = 0.75
            matrix[i, own + (1 if i % 2 else -1)] = 0.25
        return matrix

    scale = 20 * 0.5 / (weights + 20 * 0.5)
    transfer = scale.reshape(-1, 1) * np.kron(spread(19), spread(22))
    matrix = np.diag(weights.ravel()) + 0.5 * bending(19, 22).toarray()
    expected = transfer.T @ matrix @ transfer
    found = dense(fitter._levels[1].equations.planes)
    assert np.abs(found - expected).max() < 1e-5 * np.abs(expected).max()


def test_the_inverse_of_the_coarsest_level_is_one():
    rng = np.random.default_rng(5)
    half = rng.normal(0, 1, (30, 30))
    matrix = half @ half.T + np.eye(30)
    assert np.abs(inverted(matrix) @ matrix - np.eye(30)).max() < 1e-4


@pytest.mark.parametrize("shape", [(1, 3), (2, 3), (3, 1), (3, 3), (1, 1)])
def test_one_datum_on_a_narrow_raster_is_a_level_surface(shape):
    """By hand: of all plates through one datum the level one is drawn to nothing else."""
    values, weights = np.full(shape, np.nan), np.zeros(shape)
    values[0, -1], weights[0, -1] = 26.92580899, 1
    np.testing.assert_allclose(fit_surface(values, weights, 1e-3), 26.92580899, atol=1e-4)


def test_two_data_on_a_narrow_raster_are_met():
    """By hand: a plane through both bends nowhere, so both are met."""
    values, weights = np.full((3, 2), np.nan), np.zeros((3, 2))
    values[0], weights[0] = (1.0, 2.5), 1
    found = fit_surface(values, weights, 0.1)
    np.testing.assert_allclose(found[0], (1.0, 2.5), atol=1e-4)
    assert 0.9 < found.min() <= found.max() < 2.6


@pytest.mark.parametrize("columns", [5, 6, 7, 8])
def test_a_correction_is_spread_within_its_raster(columns):
    """Interpreted, where an index beyond an array is an error and not whatever lies in memory there."""
    coarse = np.zeros((7 + 4, columns // 2 + 2 + 4), np.float32)
    coarse[2:-2, 2:-2] = 1.0
    scale, out = np.zeros((2, 9, columns + 4), np.float32)
    scale[2:-2, 2:-2] = 1.0
    line = np.full(columns // 2 + 2, np.nan, np.float32)
    for y in range(5):
        prolong_row.py_func(y, coarse, line, scale, np.zeros_like(out), out[y + 2])
    assert np.all(out[2:-2, 2:-2] == 1.0)
    assert np.all(out[:, :2] == 0)
    assert np.all(out[:, -2:] == 0)


def test_equations_that_are_kept_are_those_of_a_new_fitter():
    """Fits with the same weights, other weights, another stiffness and back: earlier fits never show."""
    rng = np.random.default_rng(8)
    shape = (33, 47)
    weights = [(rng.random(shape) < share) * 1.0 for share in (0.6, 0.6)]
    fitter = SurfaceFitter(shape)
    for which, stiffness in ((0, 0.3), (0, 0.3), (1, 0.3), (1, 5.0), (1, 5.0), (0, 5.0), (0, 1e6), (0, 5.0)):
        values = rng.normal(size=shape)
        kept = fitter.fit(values, weights[which], stiffness)
        assert np.array_equal(kept, SurfaceFitter(shape).fit(values, weights[which], stiffness))
