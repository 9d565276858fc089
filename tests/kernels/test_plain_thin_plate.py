"""The thin plate without compiled code, on whole rasters: the same bits."""

from __future__ import annotations

import numpy as np
import pytest

from cloudprep.kernels import thin_plate, thin_plate_coarsest

RNG = np.random.default_rng(43)


@pytest.mark.parametrize("shape", [(1, 9), (3, 3), (5, 8), (17, 40), (33, 31), (64, 50)])
@pytest.mark.parametrize("stiffness", [0.1, 5.0, 500.0, 1e6])
def test_fits_are_the_same(monkeypatch: pytest.MonkeyPatch, shape: tuple[int, int], stiffness: float) -> None:
    values = RNG.normal(size=shape) * 3 + np.arange(shape[1]) * 0.2
    weights = (RNG.random(shape) < 0.3) * RNG.random(shape)
    weights[0, 0] = 1.0
    weights[:, 25:] = 0.0  # far from any data
    compiled = thin_plate.fit_surface(values, weights, stiffness)
    for part in ("_cycle", "_levels"):
        monkeypatch.setattr(thin_plate, part, thin_plate.plain)
    np.testing.assert_array_equal(thin_plate.fit_surface(values, weights, stiffness), compiled)


def test_the_coarsest_level_is_inverted_alike(monkeypatch: pytest.MonkeyPatch) -> None:
    matrix = RNG.normal(size=(40, 40))
    matrix = matrix @ matrix.T
    compiled = thin_plate_coarsest.inverted(matrix)
    np.testing.assert_allclose(compiled @ matrix, np.eye(40), atol=1e-3)
    monkeypatch.setattr(thin_plate_coarsest, "COMPILED", False)
    np.testing.assert_array_equal(thin_plate_coarsest.inverted(matrix), compiled)
