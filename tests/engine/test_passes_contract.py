"""The runner of a stage: buffers, scratch columns, summaries, and faults of stages called by name."""

import numpy as np
import pytest

from cloudprep.engine.passes import ContractError
from cloudprep.model.delta import Delta, Solution, Summary
from cloudprep.stages.base import Scope, Stage, StageParams
from cloudprep.testing import example_cloud, run_stage


class Params(StageParams):
    pass


class NeighbourCount(Stage):
    """Labels a point by how many points lie within 3 m in plan."""

    name = "neighbour_count"
    kind = "test"
    Params = Params
    scope = Scope.NEIGHBOURHOOD
    provides = ("classification",)
    summarises = True
    reach_given = 3.0

    def reach(self):
        return self.reach_given

    def summarise(self, points, context):
        x, y = points["x"], points["y"]
        near = (x[:, None] - x) ** 2 + (y[:, None] - y) ** 2 <= 9.0
        counts = near.sum(1)
        return Summary(int(counts[context.core].sum()), {"count": counts})

    def merge(self, parts):
        return sum(parts)

    def solve(self, merged, site):
        return Solution(merged / site.count, figures={"mean.count": merged / site.count})

    def run(self, points, context, solution=None):
        return Delta({"classification": np.where(points["count"] > solution.value, 2, 1).astype(np.uint8)})


def small():
    return {n: v[:600] for n, v in example_cloud(600).items()}


@pytest.mark.parametrize(("edge", "workers"), [(20.0, 1), (6.5, 2)])
def test_buffers_make_blocks_equal_to_the_whole(edge, workers):
    whole = run_stage(NeighbourCount(), small())
    blocks = run_stage(NeighbourCount(), small(), block_edge=edge, workers=workers)
    assert np.array_equal(whole.labels["classification"], blocks.labels["classification"])
    assert whole.result.figures == blocks.result.figures


def test_a_buffer_that_is_too_small_is_seen_by_that_comparison():
    class TooShort(NeighbourCount):
        reach_given = 1.0

    whole = run_stage(TooShort(), small())
    blocks = run_stage(TooShort(), small(), block_edge=6.5)
    assert whole.result.figures != blocks.result.figures


def broken(columns):
    class Broken(NeighbourCount):
        summarises = False

        def run(self, points, context, solution=None):
            return Delta(columns(len(points)))

    return Broken()


@pytest.mark.parametrize(
    ("columns", "said"),
    [
        (lambda n: {"z": np.zeros(n)}, r"changed \['z'\]"),
        (lambda n: {"classification": np.zeros(n - 1, np.uint8)}, "values of 'classification'"),
        (lambda n: {"classification": np.zeros(n)}, "as float64, not uint8"),
    ],
)
def test_a_stage_that_breaks_its_word_is_named(columns, said):
    with pytest.raises(ContractError, match=said) as error:
        run_stage(broken(columns), small())
    assert "neighbour_count" in str(error.value)


def test_an_error_in_one_block_stops_the_stage():
    class Fails(NeighbourCount):
        def summarise(self, points, context):
            raise ValueError("no")

    with pytest.raises(ValueError, match="no"):
        run_stage(Fails(), small(), block_edge=10.0, workers=2)


class SecondLook(NeighbourCount):
    """Labels the points that a second look found to have more neighbours than the mean."""

    revisits = True

    def solve(self, merged, site):
        return Solution(merged / site.count, revisit=True)

    def revisit(self, points, context, solution):
        dense = points["count"] > solution.value
        return Summary(int(dense[context.core].sum()), {"dense": dense})

    def merge_revisits(self, parts):
        return sum(parts)

    def settle(self, merged, solution, site):
        return Solution(None, figures={"dense": merged})

    def run(self, points, context, solution=None):
        assert "count" in points
        return Delta({"classification": np.where(points["dense"], 2, 1).astype(np.uint8)})


@pytest.mark.parametrize("edge", [None, 6.5])
def test_what_a_second_look_found_comes_to_the_labels(edge):
    found = run_stage(SecondLook(), small(), block_edge=edge)
    expected = run_stage(NeighbourCount(), small())
    assert np.array_equal(found.labels["classification"], expected.labels["classification"])
    assert found.result.figures["dense"] == int((expected.labels["classification"] == 2).sum())


def test_columns_of_a_second_look_must_be_of_all_points():
    class Short(SecondLook):
        def revisit(self, points, context, solution):
            return Summary(0, {"dense": np.zeros(len(points) - 1, np.bool_)})

    with pytest.raises(ContractError, match="revisit gave"):
        run_stage(Short(), small())
