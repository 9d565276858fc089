"""How much memory a run may use, and what follows from it."""

import pytest

from cloudprep.config import load_pipeline
from cloudprep.engine.memory import parse_bytes, plan_memory
from cloudprep.errors import UsageError
from cloudprep.model.bounds import Bounds
from cloudprep.model.site import SiteFacts

COLUMNS = ("x", "y", "z", "classification", "withheld", "number_of_returns")


def site(count):
    side = (count / 100.0) ** 0.5
    return SiteFacts(count, Bounds(0, 0, side, side), 0.0, 50.0, 0.1, True, columns=frozenset(COLUMNS))


def plan(count, limit, **kwargs):
    stages = [s.resolved(site(count)) for s in load_pipeline("bare_earth").build()]
    return plan_memory(stages, site(count), COLUMNS, limit=limit, workers=kwargs.pop("workers", 2), **kwargs)


@pytest.mark.parametrize(
    ("text", "amount"),
    [("4GB", 4e9), ("4g", 4e9), ("512 MiB", 2**29), ("1.5gb", 1.5e9), ("800000000", 8e8), (".5T", 5e11)],
)
def test_amounts_of_memory_are_read(text, amount):
    assert parse_bytes(text) == amount


@pytest.mark.parametrize("text", ["", "4 apples", "-1GB", "0", "GB", "4GBB", "nan"])
def test_what_is_no_amount_is_refused_in_words(text):
    with pytest.raises(UsageError, match="is no amount of memory"):
        parse_bytes(text)


def test_small_sites_stay_in_memory_and_large_ones_go_to_disk():
    assert not plan(1_000_000, 4_000_000_000).on_disk
    assert plan(1_000_000, 4_000_000_000, shared=True).on_disk
    large = plan(200_000_000, 4_000_000_000)
    assert large.on_disk
    assert large.expected <= 4_000_000_000
    assert large.scratch > 200_000_000 * 30


def test_more_workers_get_smaller_blocks():
    one, four = (plan(200_000_000, 4_000_000_000, workers=w) for w in (1, 4))
    assert four.block_points < one.block_points
    assert four.expected <= 4_000_000_000


def test_too_little_memory_is_refused_with_what_is_needed():
    with pytest.raises(UsageError, match=r"--memory 0\.50 GB is too little .* at least \d\.\d\d GB"):
        plan(50_000_000, 500_000_000)
    assert plan(50_000_000, 500_000_000, measured=False).on_disk  # headers may be wrong: not yet
