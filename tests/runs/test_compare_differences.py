"""Figures of differences taken part by part are those that numpy reckons of all at once."""

from __future__ import annotations

import numpy as np
import pytest

from cloudprep.runs.differences import Differences


@pytest.mark.parametrize("seed", range(4))
def test_figures_are_those_of_numpy(seed: int) -> None:
    rng = np.random.default_rng(seed)
    values = rng.normal(0.003, 0.02, 20_001) * rng.choice([0, 1, 100], 20_001)
    found, other = Differences(), Differences()
    for number, part in enumerate(np.array_split(values, 7)):
        (found if number % 2 else other).add(part)
    found.join(other)
    assert found.count == len(values)
    assert found.differing == np.count_nonzero(values)
    assert found.mean == pytest.approx(values.mean(), rel=1e-12)
    assert found.rmse == pytest.approx(np.sqrt((values**2).mean()), rel=1e-12)
    assert found.largest == np.abs(values).max()
    for share in (0.001, 0.05, 0.3, 0.5, 0.7, 0.95, 1.0):
        # inverted_cdf: the smallest value that a share of all does not exceed.
        signed = np.quantile(values, share, method="inverted_cdf")
        assert found.quantile(share) == pytest.approx(signed, rel=1 / 4096)
        size = np.quantile(np.abs(values), share, method="inverted_cdf")
        assert found.of_size(share) == pytest.approx(size, rel=1 / 4096)


def test_whole_numbers_are_exact_and_nothing_gives_nothing() -> None:
    found = Differences()
    assert set(found.figures().values()) == {0}
    whole = np.random.default_rng(3).integers(-255, 256, 5000).astype(float)
    found.add(whole)
    for share in np.linspace(0.01, 1, 40):
        assert found.quantile(share) == np.quantile(whole, share, method="inverted_cdf")
