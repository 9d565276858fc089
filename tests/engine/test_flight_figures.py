"""Figures of every flight: reckoned here a second time, from the delivered files, with numpy alone."""

import math

import laspy
import numpy as np
import pytest

from cloudprep.engine.flight_figures import flight_figures
from cloudprep.engine.holding import InMemory
from cloudprep.engine.loading import Units
from cloudprep.io.las import open_flight
from cloudprep.testing import example_cloud

PIPELINE = "cloudprep: 1\nstages:\n  - stage: progressive_ground\n"


def expected(*paths, cell=5.0):
    """Reckon the figures from files: points, classes, cells of 5 m in the reference system's coordinates."""
    clouds = [laspy.read(path) for path in paths]
    x, y, codes, returns = (
        np.concatenate([np.asarray(getattr(c, name)) for c in clouds])
        for name in ("x", "y", "classification", "number_of_returns")
    )
    area = len(set(zip((x // cell).tolist(), (y // cell).tolist(), strict=True))) * cell**2
    ground, noise = np.count_nonzero(codes == 2), np.count_nonzero((codes == 7) | (codes == 18))
    return {
        "points.count": len(x),
        "points.stray": 0,
        "points.area": area,
        "points.density": len(x) / area,
        "points.spacing": math.sqrt(area / len(x)),
        "ground.points": ground,
        "ground.share": ground / len(x),
        "noise.points": noise,
        "noise.share": noise / len(x),
        "returns.multiple_share": np.count_nonzero(returns > 1) / len(x),
    }


def two_flights(clouds):
    columns = example_cloud()
    east = columns["x"] > 25
    return [
        clouds.write("east.laz", {n: v[east] for n, v in columns.items()}),
        clouds.write("all.laz", example_cloud(4000, seed=5)),
    ]


@pytest.mark.parametrize("options", [{}, {"block_points": 900, "workers": 2}])
def test_every_flight_has_the_figures_of_what_was_delivered(clouds, run, pipeline_file, record_of, options):
    outcome, out = run(*two_flights(clouds), pipeline=pipeline_file(PIPELINE), **options)
    assert outcome.exit_code == 0
    record = record_of(out)
    assert (record["scratch_bytes"] > 0) == bool(options)
    delivered = [out / "clouds" / name for name in ("east.laz", "all.laz")]
    for one, path in zip(record["inputs"], delivered, strict=True):
        figures = {n: v for n, v in one["figures"].items() if not n.startswith("header.")}
        assert figures == pytest.approx(expected(path), rel=1e-12)
    told = {name: record["figures"][name] for name in expected(*delivered)}
    assert told == pytest.approx(expected(*delivered), rel=1e-12)
    assert record["figures"]["points.spacing"] == pytest.approx(record["site"]["spacing_m"], rel=1e-12)


def test_figures_of_points_in_files_are_those_in_memory_to_the_bit(clouds, run, pipeline_file, record_of):
    flights = two_flights(clouds)
    _, first = run(*flights, pipeline=pipeline_file(PIPELINE), out="a")
    _, second = run(*flights, pipeline=pipeline_file(PIPELINE), out="b", block_points=900)
    one, two = record_of(first), record_of(second)
    assert [i["figures"] for i in one["inputs"]] == [i["figures"] for i in two["inputs"]]
    assert one["figures"] == two["figures"]


def test_stray_points_count_as_noise_and_for_no_density(clouds, run, pipeline_file, record_of):
    columns = example_cloud()
    columns["x"][:3] += 90_000
    flight = clouds.write("far.laz", columns)
    _, out = run(flight, pipeline=pipeline_file(PIPELINE))
    (one,) = record_of(out)["inputs"]
    assert one["figures"]["points.stray"] == one["stray_points"] == 3
    assert one["figures"]["points.count"] == len(columns["x"])
    assert one["figures"]["noise.points"] == 3
    assert one["figures"]["points.density"] == pytest.approx(
        (len(columns["x"]) - 3) / one["figures"]["points.area"]
    )


def test_thin_clouds_are_judged_on_wider_cells_like_the_site(clouds):
    columns = {name: values[::30] for name, values in example_cloud(4000).items()}
    spread = {**columns, "x": columns["x"] * 20, "y": columns["y"] * 20}
    holder = InMemory(("classification", "number_of_returns"))
    holder.read(open_flight(clouds.write("thin.laz", spread)), Units(1.0, 1.0), lambda n: None)
    store, site = holder.finish(frozenset({"classification", "number_of_returns"}))
    each, together = flight_figures(store, 1, site.origin)
    assert each[0] == together
    assert each[0]["points.spacing"] == site.spacing
    narrow = expected(clouds.folder / "thin.laz")
    assert each[0]["points.area"] > 2 * narrow["points.area"]


def test_stretches_hold_every_point_once(clouds, monkeypatch):
    from cloudprep.engine import store_memory

    monkeypatch.setattr(store_memory, "STRETCH_POINTS", 700)
    holder = InMemory(("classification", "number_of_returns"), block_edge=20.0)
    for path in two_flights(clouds):
        holder.read(open_flight(path), Units(1.0, 1.0), lambda n: None)
    store, site = holder.finish(frozenset({"classification", "number_of_returns"}))
    each, together = flight_figures(store, 2, site.origin)
    paths = [clouds.folder / name for name in ("east.laz", "all.laz")]
    for figures, path in zip(each, paths, strict=True):
        assert figures == pytest.approx(expected(path), rel=1e-12)
    assert together == pytest.approx(expected(*paths), rel=1e-12)
    assert max(len(s.stray) for s in store.flight_stretches(1, ("x",))) == 700
