"""A sample of different values is fair, and samples of parts join to that of the whole."""

import numpy as np

from cloudprep.kernels.sampled_values import joined_samples, mixed, sample_of


def test_few_values_are_all_there_with_how_often_they_occur():
    values = np.repeat(np.linspace(1, 9, 50), np.arange(1, 51))
    found = sample_of(values, 1000)
    assert len(found.hashes) == 50
    assert sorted(found.counts.tolist()) == list(range(1, 51))


def test_samples_of_parts_join_to_the_sample_of_the_whole():
    rng = np.random.default_rng(1)
    values = np.round(rng.uniform(0, 1000, 60_000), 2)
    whole = sample_of(values, 256)
    for cuts in ((20_000, 20_010), (59_999, 60_000), (0, 30_000)):
        parts = [sample_of(part, 256) for part in np.split(values, cuts)]
        joined = joined_samples(parts[::-1], 256)
        assert np.array_equal(joined.hashes, whole.hashes)
        assert np.array_equal(joined.counts, whole.counts)


def test_a_share_of_the_values_is_estimated_fairly():
    rng = np.random.default_rng(2)
    once, twice = rng.uniform(0, 1, 60_000), rng.uniform(1, 2, 20_000)
    found = sample_of(np.r_[once, twice, twice], 4096)
    # A quarter of all values occurs twice; the standard error of the share is 0.7 points.
    assert abs(np.mean(found.counts > 1) - 0.25) < 4 * np.sqrt(0.25 * 0.75 / 4096)


def test_hashes_are_different_and_spread_evenly():
    hashes = mixed(np.arange(100_000, dtype=np.uint64))
    assert len(np.unique(hashes)) == 100_000
    counts = np.bincount((hashes >> np.uint64(60)).astype(int), minlength=16)
    assert np.abs(counts - 6250).max() < 5 * np.sqrt(6250)


def test_the_generator_is_the_published_one():
    """Outside check: SplitMix64 from seed 0 gives 0xE220A8397B1DCDAF first; from memory."""
    assert int(mixed(np.zeros(1, np.uint64))[0]) == 0xE220A8397B1DCDAF
