"""Discs painted into a picture: by the circle's equation, pixel by pixel, the last one on top."""

import numpy as np
import pytest

from cloudprep.kernels import discs


def painted(order, seed=3, *, shape=(37, 52), count=60):
    rng = np.random.default_rng(seed)
    tall, wide = shape
    given = {
        "colours": rng.random((count, 3)).astype(np.float32),
        "column": rng.uniform(-6, wide + 6, count),
        "row": rng.uniform(-6, tall + 6, count),
        "depth": rng.uniform(1, 9, count),
        "radius": rng.uniform(0.2, 7.0, count),
    }
    image, distance = np.zeros((3, *shape), np.float32), np.full(shape, np.inf, np.float32)
    discs.paint_discs(image, distance, *given.values(), np.asarray(order, np.int64))
    return image, distance, given


@pytest.mark.parametrize("compiled", [True, False])
def test_each_pixel_shows_the_last_disc_that_holds_its_middle(compiled, monkeypatch):
    monkeypatch.setattr(discs, "COMPILED", compiled and discs.COMPILED)
    order = np.random.default_rng(8).permutation(60)[:50]
    image, distance, given = painted(order)
    r, c = np.mgrid[: distance.shape[0], : distance.shape[1]] + 0.5
    expected, far = np.zeros_like(image), np.full_like(distance, np.inf)
    for i in order:
        inside = (c - given["column"][i]) ** 2 + (r - given["row"][i]) ** 2 <= given["radius"][i] ** 2
        expected[:, inside] = given["colours"][i][:, np.newaxis]
        far[inside] = given["depth"][i]
    assert np.isfinite(far).any()
    assert np.isinf(far).any()
    np.testing.assert_array_equal(image, expected)
    np.testing.assert_array_equal(distance, far)


@pytest.mark.parametrize("compiled", [True, False])
def test_without_discs_nothing_is_painted(compiled, monkeypatch):
    monkeypatch.setattr(discs, "COMPILED", compiled and discs.COMPILED)
    image, distance, _ = painted([])
    assert not image.any()
    assert np.isinf(distance).all()
