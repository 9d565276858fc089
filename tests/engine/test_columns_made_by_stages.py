"""Columns that stages make: working columns come and go inside a run, ground_confidence is delivered."""

from __future__ import annotations

import laspy
import numpy as np
import pytest

from cloudprep.config import Pipeline
from cloudprep.engine.memory import _KERNELS_OF_A_STAGE
from cloudprep.engine.passes import ContractError, StagePass
from cloudprep.engine.plan import check_needs, plan_lines, plan_run, wanted_columns
from cloudprep.engine.progress import Silent
from cloudprep.engine.run import RunRequest, run_site
from cloudprep.engine.working import extra_labels, held_during, kept_after
from cloudprep.errors import MissingColumnError
from cloudprep.model.columns import COLUMNS, EXTRA_LABELS, LABEL_COLUMNS, WORKING_COLUMNS
from cloudprep.model.delta import Delta
from cloudprep.stages import registry
from cloudprep.stages.base import Scope, Stage, StageParams
from cloudprep.testing import (
    check_declares_itself,
    check_leaves_input_alone,
    check_missing_column,
    check_order,
    contract_checks,
    example_cloud,
    facts_of,
    run_stage,
)

NAME = "ground_confidence"


class Measurer(Stage):
    """Measure how high a point lies above 100 m, for later stages."""

    name = "measurer"
    kind = "noise"
    Params = StageParams
    scope = Scope.POINT
    provides = ("neighbour_distance", "roughness")
    references = ("invented",)

    def run(self, points, context, solution=None):
        height = (points["z"] - 100.0 + 0 * points["x"] * points["y"]).astype(np.float32)
        return Delta({"neighbour_distance": height, "roughness": -height})


class Labeller(Stage):
    """Label what was measured as high."""

    name = "labeller"
    kind = "ground"
    Params = StageParams
    scope = Scope.POINT
    needs = ("x", "y", "z", "neighbour_distance")
    provides = ("classification",)
    references = ("invented",)

    def run(self, points, context, solution=None):
        high = points["neighbour_distance"] + np.float32(0) * (points["x"] + points["y"] + points["z"]) > 4
        return Delta({"classification": np.where(high, 5, 2).astype(np.uint8)})


class Judge(Stage):
    """Say of every point how sure its label is: what the height in centimetres leaves, modulo 101."""

    name = "judge"
    kind = "ground"
    Params = StageParams
    scope = Scope.POINT
    uses = ("roughness",)
    provides = (NAME,)
    references = ("invented",)

    def run(self, points, context, solution=None):
        return Delta({NAME: sure_of(points["z"] + 0 * points["x"] * points["y"])})


class Thrower(Stage):
    """Withhold points in the west and call those in the south noise."""

    name = "thrower"
    kind = "noise"
    Params = StageParams
    scope = Scope.POINT
    needs = ("x", "y", "z", "classification", "withheld")
    provides = ("classification", "withheld")
    references = ("invented",)

    def run(self, points, context, solution=None):
        south = points["y"] + 0 * points["z"] < 10
        return Delta(
            {
                "classification": np.where(south, np.uint8(7), points["classification"]),
                "withheld": points["withheld"] | (points["x"] < 10),
            }
        )


class Reader(Stage):
    """Class 9 for points of which something is said, 8 for the others, 1 where nobody says anything."""

    name = "reader"
    kind = "noise"
    Params = StageParams
    scope = Scope.POINT
    uses = (NAME,)
    provides = ("classification",)
    references = ("invented",)

    def run(self, points, context, solution=None):
        if NAME not in points:
            return Delta({"classification": np.ones(len(points), np.uint8)})
        return Delta({"classification": np.where(points[NAME] > 0, 9, 8).astype(np.uint8)})


ALL = (Measurer, Labeller, Judge, Thrower, Reader)


def sure_of(z):
    return (np.rint(z * 100).astype(np.int64) % 101).astype(np.uint8)


@pytest.fixture
def go(monkeypatch, tmp_path):
    """Run invented stages by name on clouds; returns outcome and folder."""
    monkeypatch.setattr(registry, "BUILT_IN", {s.name: f"{__name__}:{s.__name__}" for s in ALL})
    registry._locations.cache_clear()

    def run(names, *inputs, out="out", output=None, **options):
        pipeline = Pipeline.from_dict(
            {"cloudprep": 1, "stages": [{"stage": n} for n in names], "output": output or {}}
        )
        request = RunRequest(pipeline, tuple(map(str, inputs)), tmp_path / out, **options)
        return run_site(request, Silent()), tmp_path / out

    yield run
    registry._locations.cache_clear()


def with_confidence(path, values, kind="u1"):
    """Give a cloud the dimension, as another program might."""
    cloud = laspy.read(path)
    cloud.add_extra_dim(laspy.ExtraBytesParams(NAME, kind))
    cloud[NAME] = np.broadcast_to(values, len(cloud.x))
    cloud.write(path)
    return path


# -- working columns ------------------------------------------------------------------------------------


def test_the_table_tells_what_columns_are_for():
    assert EXTRA_LABELS == (NAME, "height_above_ground")
    assert LABEL_COLUMNS == ("classification", "withheld", NAME, "height_above_ground")
    assert set(WORKING_COLUMNS) == {
        "neighbour_distance",
        "roughness",
        "extent",
        "normal_x",
        "normal_y",
        "normal_z",
    }
    assert all(COLUMNS[n].dtype == np.float32 and not COLUMNS[n].label for n in WORKING_COLUMNS)


def test_working_columns_are_held_until_their_last_reader_is_done():
    measurer, labeller, thrower, judge = Measurer(), Labeller(), Thrower(), Judge()
    both = {"neighbour_distance", "roughness"}
    order = [measurer, thrower, labeller, thrower, judge, thrower]
    assert held_during(order) == [both, both, both, {"roughness"}, {"roughness"}, set()]
    assert kept_after(order) == [both, both, {"roughness"}, {"roughness"}, set(), set()]
    assert kept_after([measurer, thrower]) == [set(), set()]
    # Made anew before anyone reads it: what the first one made is of no use.
    assert kept_after([measurer, measurer, labeller])[0] == set()


@pytest.mark.parametrize("block_edge", [None, 25.0])
def test_a_run_hands_them_on_and_frees_them(clouds, go, monkeypatch, block_edge):
    seen = []
    carry_out = StagePass.carry_out

    def spy(self):
        before = set(self.store.columns) & set(WORKING_COLUMNS)
        result = carry_out(self)
        seen.append((self.stage.name, before, set(self.store.columns) & set(WORKING_COLUMNS)))
        return result

    monkeypatch.setattr(StagePass, "carry_out", spy)
    flight = clouds.write()
    outcome, out = go(["measurer", "labeller", "judge", "thrower"], flight, block_edge=block_edge)
    both = {"neighbour_distance", "roughness"}
    assert seen == [
        ("measurer", set(), both),
        ("labeller", both, both),
        ("judge", {"roughness"}, {"roughness"}),
        ("thrower", set(), set()),
    ]
    cloud = laspy.read(out / "clouds/flight.laz")
    assert list(cloud.point_format.extra_dimension_names) == [NAME]
    used = cloud.classification != 7
    high = (np.asarray(cloud.z) - 100).astype(np.float32) > 4
    assert np.array_equal(cloud.classification[used] == 5, high[used])
    changed = {s["stage"]: s["changed"] for s in outcome.record["stages"]}
    assert changed["measurer"] == changed["judge"] == 0
    assert changed["labeller"] > 0


def test_a_needed_column_that_nobody_provides_stops_before_any_work(clouds):
    with pytest.raises(MissingColumnError, match=r"labeller needs 'neighbour_distance', which no earlier"):
        check_needs([Labeller()], frozenset())
    check_needs([Measurer(), Labeller()], frozenset())


def test_the_plan_counts_them_and_never_reads_them():
    site = facts_of(example_cloud())
    bare, handed = (
        plan_run(s, site, limit=10**12) for s in ([Thrower()], [Measurer(), Thrower(), Labeller()])
    )
    kernels_of_two_more_stages = 2 * _KERNELS_OF_A_STAGE
    more = handed.memory.expected - bare.memory.expected
    assert more == 2 * 4 * site.count + kernels_of_two_more_stages
    assert not set(wanted_columns([Measurer(), Labeller(), Judge()])) & set(WORKING_COLUMNS)
    text = "\n".join(plan_lines(plan_run([Measurer(), Judge()], site, limit=10**12), []))
    assert "pass 1: measurer: working columns; buffer 0 m; hands on neighbour_distance, roughness" in text
    assert "extra dimension in every cloud: ground_confidence" in text
    assert NAME not in text.partition("pass 1")[0]  # provided, so it needn't be read


def test_it_is_read_only_where_a_stage_looks_at_it_first():
    assert NAME in wanted_columns([Reader(), Judge()])
    assert NAME not in wanted_columns([Judge(), Reader()])
    assert extra_labels([Judge(), Labeller()]) == {NAME: "judge"}


# -- delivered ------------------------------------------------------------------------------------------


@pytest.mark.parametrize("block_edge", [None, 17.0])
def test_flights_with_and_without_it_are_delivered_alike(clouds, go, block_edge):
    columns = example_cloud()
    n = len(columns["x"])
    rows = slice(0, n // 2), slice(n // 2, n)
    plain = clouds.write("a.laz", columns, rows=rows[0], point_format=1, version="1.2")
    carrying = with_confidence(clouds.write("b.laz", columns, rows=rows[1], point_format=7), 77)
    outcome, out = go(["judge"], plain, carrying, block_edge=block_edge)
    assert outcome.exit_code == 0
    for source in (plain, carrying):
        before, after = laspy.read(source), laspy.read(out / "clouds" / source.name)
        expected = np.where(
            np.isin(np.asarray(before.classification), (7, 18)), 0, sure_of(np.asarray(before.z))
        )
        assert np.array_equal(after[NAME], expected)
        for name in before.point_format.dimension_names:
            if name != NAME:
                assert np.array_equal(before[name], after[name]), name
    assert outcome.record["extra_dimensions"] == [
        {
            "name": NAME,
            "type": "uint8",
            "unit": "%",
            "meaning": COLUMNS[NAME].meaning,
            "stage": "judge",
        }
    ]


def test_noise_withheld_and_stray_points_carry_nothing(clouds, go):
    columns = {n: v.copy() for n, v in example_cloud().items()}
    columns["x"][5] += 900_000.0
    flight = with_confidence(clouds.write(columns=columns, scale=0.01), 77)
    _, out = go(["judge", "thrower"], flight)
    after = laspy.read(out / "clouds/flight.laz")
    unused = np.isin(np.asarray(after.classification), (7, 18)) | np.asarray(after.withheld, bool)
    assert unused[5]
    assert 100 < np.count_nonzero(unused) < len(unused) - 100
    assert np.array_equal(after[NAME], np.where(unused, 0, sure_of(np.asarray(after.z))))


def test_a_stage_may_read_it_where_every_flight_carries_it(clouds, go):
    columns = example_cloud()
    said = np.zeros(1000, np.uint8)
    said[::3] = 40
    carrying = with_confidence(clouds.write("b.laz", columns, rows=slice(0, 1000)), said)
    outcome, out = go(["reader"], carrying)
    after = laspy.read(out / "clouds/b.laz")
    assert np.array_equal(after.classification, np.where(said > 0, 9, 8))
    assert np.array_equal(after[NAME], said)  # not provided by any stage: not touched
    assert outcome.record["extra_dimensions"] == []
    plain = clouds.write("a.laz", columns, rows=slice(1000, None))
    _, out = go(["reader"], carrying, plain, out="both")
    assert set(np.unique(laspy.read(out / "clouds/b.laz").classification)) == {1}
    _, out = go(["judge", "reader"], plain, out="judged")
    after = laspy.read(out / "clouds/a.laz")
    assert np.array_equal(after.classification, np.where(sure_of(np.asarray(after.z)) > 0, 9, 8))


def test_another_kind_of_that_name_fails_that_flight_alone(clouds, go):
    columns = example_cloud()
    bad = with_confidence(clouds.write("bad.laz", columns, rows=slice(0, 900)), 3, kind="f4")
    good = clouds.write("good.laz", columns, rows=slice(900, None))
    outcome, out = go(["judge"], bad, good)
    assert outcome.exit_code == 1
    assert [p.name for p in (out / "clouds").iterdir()] == ["good.laz"]
    (failed,) = [i for i in outcome.record["inputs"] if i["status"] == "failed"]
    assert "extra dimension 'ground_confidence' of another kind (float32)" in failed["reason"]
    assert "rename or remove it" in failed["reason"]
    dry, _ = go(["judge"], bad, good, out="dry", dry_run=True)
    assert list(dry.record["failed"]) == [str(bad)]
    assert dry.record["plan"]["extra_dimensions"] == [NAME]
    fine, _ = go(["thrower"], bad, out="fine")  # a pipeline that doesn't write it has no quarrel with it
    assert fine.exit_code == 0


def test_labels_of_an_earlier_run_that_stay_are_told(clouds, go):
    flight = with_confidence(clouds.write(), 50)
    outcome, out = go(["measurer", "labeller"], flight)
    assert any("carries 'ground_confidence' from before" in w for w in outcome.record["warnings"])
    assert set(laspy.read(out / "clouds/flight.laz")[NAME]) == {50}
    outcome, _ = go(["judge"], flight, out="anew")
    assert outcome.record["warnings"] == []


@pytest.mark.parametrize("version", ["keep", "1.4"])
@pytest.mark.parametrize("kind", ["las", "laz"])
def test_every_way_to_deliver_carries_it(clouds, go, kind, version):
    flight = clouds.write("a.laz", point_format=3, version="1.2")
    output = {"format": kind, "las_version": version, "drop_noise": True}
    _, out = go(["judge", "thrower"], flight, output=output)
    after = laspy.read(out / f"clouds/a.{kind}")
    assert not (np.asarray(after.classification) == 7).any()
    expected = np.where(np.asarray(after.withheld, bool), 0, sure_of(np.asarray(after.z)))
    assert np.array_equal(after[NAME], expected)


# -- the contract ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("stage", [Measurer, Judge], ids=lambda s: s.name)
def test_such_stages_pass_the_public_checks(stage):
    for check in contract_checks():
        if check.__name__ not in {"check_processes", "check_refuses_bad_parameters"}:
            check(stage)


def test_a_stage_that_needs_them_finds_them_in_the_example_cloud():
    check_declares_itself(Labeller)
    check_missing_column(Labeller)
    check_leaves_input_alone(Labeller)


def test_the_checks_see_working_columns_that_hang_on_the_order():
    class Counter(Measurer):
        def run(self, points, context, solution=None):
            number = np.arange(len(points), dtype=np.float32)
            return Delta({"neighbour_distance": number, "roughness": number})

    with pytest.raises(AssertionError, match="'neighbour_distance' differ when the points are shuffled"):
        check_order(Counter)


def test_what_one_stage_makes_feeds_the_next_in_memory():
    cloud = {n: v for n, v in example_cloud().items() if n not in WORKING_COLUMNS}
    made = run_stage(Measurer(), cloud, block_edge=20.0)
    assert set(made.working) == {"neighbour_distance", "roughness"}
    assert np.array_equal(made.working["roughness"], (100.0 - cloud["z"]).astype(np.float32))
    then = run_stage(Labeller(), {**cloud, **made.labels, **made.working})
    assert np.array_equal(then.labels["classification"] == 5, made.working["neighbour_distance"] > 4)


@pytest.mark.parametrize(
    ("stage", "columns", "said"),
    [
        (Measurer, lambda n: {"roughness": np.zeros(n, "f4")}, "gave no 'neighbour_distance'"),
        (Judge, lambda n: {NAME: np.full(n, 101, np.uint8)}, "up to 101, more than 100"),
        (Judge, lambda n: {NAME: np.zeros(n)}, "as float64, not uint8"),
    ],
)
def test_stages_that_break_their_word_are_named(stage, columns, said):
    class Broken(stage):
        def run(self, points, context, solution=None):
            return Delta(columns(len(points)))

    with pytest.raises(ContractError, match=said):
        run_stage(Broken(), example_cloud(300))


def test_a_stage_that_says_nothing_leaves_no_old_values():
    class Silent(Judge):
        def run(self, points, context, solution=None):
            return Delta({})

    assert not run_stage(Silent(), example_cloud(300)).labels[NAME].any()
