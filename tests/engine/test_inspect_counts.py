"""What ``inspect`` counts is what laspy, an independent reader, finds in the whole file."""

from __future__ import annotations

import json
import tracemalloc
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

import laspy
import numpy as np
import pytest

from cloudprep.engine.inspect import inspect_flight
from cloudprep.engine.times import is_plausible, times_text
from cloudprep.errors import BadInputError

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

FLAGS = ("synthetic", "key_point", "withheld", "overlap")


@pytest.fixture
def write(tmp_path: Path) -> Callable[..., Path]:
    def write(
        name: str = "flight.laz",
        point_format: int = 6,
        version: str = "1.4",
        count: int = 3000,
        **changes: Any,
    ) -> Path:
        rng = np.random.default_rng(5)
        header = laspy.LasHeader(point_format=point_format, version=version)
        header.scales, header.offsets = (
            np.array([0.01, 0.02, 0.001]),
            np.array([400_000.0, 5_600_000.0, -50.0]),
        )
        cloud = laspy.LasData(header)
        cloud.X, cloud.Y = rng.integers(0, 10_000, count), rng.integers(-4000, 4000, count)
        cloud.Z = rng.integers(100_000, 120_000, count)
        of = rng.integers(1, 6, count)
        cloud.number_of_returns, cloud.return_number = of, rng.integers(1, of + 1)
        cloud.classification = rng.choice([1, 2, 5, 7], count)
        cloud.intensity = rng.integers(10, 60_000, count)
        cloud.point_source_id = rng.choice([3, 7, 65_535], count)
        for flag in FLAGS[: 3 if point_format < 6 else 4]:
            setattr(cloud, flag, rng.integers(0, 2, count))
        if "gps_time" in cloud.point_format.dimension_names:
            cloud.gps_time = rng.uniform(3e8, 3e8 + 5000, count)
            header.global_encoding.gps_time_type = laspy.header.GpsTimeType.STANDARD
        for colour in ("red", "green", "blue", "nir"):
            if colour in cloud.point_format.dimension_names:
                setattr(cloud, colour, rng.integers(0, 65_536, count))
        for key, values in changes.items():
            setattr(cloud, key, values)
        path = tmp_path / name
        cloud.write(path)
        return path

    return write


@pytest.mark.parametrize("chunk", [1, 7, 999, 10_000_000])
@pytest.mark.parametrize(
    ("name", "point_format", "version"),
    [("a.las", 0, "1.2"), ("a.laz", 1, "1.1"), ("a.laz", 3, "1.2"), ("a.las", 6, "1.4"), ("a.laz", 8, "1.4")],
)
def test_counts_agree_with_another_reader(
    write: Callable[..., Path], name: str, point_format: int, version: str, chunk: int
) -> None:
    path = write(name, point_format, version, count=3000 if chunk > 1 else 60)
    report = inspect_flight(path, chunk)
    whole = laspy.read(path)
    codes, counts = np.unique(np.asarray(whole.classification), return_counts=True)
    assert report.classes == dict(zip(codes.tolist(), counts.tolist(), strict=True))
    ids, counts = np.unique(np.asarray(whole.point_source_id), return_counts=True)
    assert report.lines == dict(zip(ids.tolist(), counts.tolist(), strict=True))
    pairs = list(zip(np.asarray(whole.return_number), np.asarray(whole.number_of_returns), strict=True))
    assert report.returns == {(int(n), int(of)): pairs.count((n, of)) for n, of in set(pairs)}
    for flag in FLAGS[: 3 if point_format < 6 else 4]:
        assert report.tally.flags[flag] == np.count_nonzero(np.asarray(whole[flag]))
    assert report.tally.corner(report.tally.lowest) == pytest.approx(whole.xyz.min(axis=0), abs=1e-9)
    assert report.tally.corner(report.tally.highest) == pytest.approx(whole.xyz.max(axis=0), abs=1e-9)
    for column in ("intensity", "gps_time", "red", "nir"):
        if column in whole.point_format.dimension_names:
            values = np.asarray(whole[column])
            assert report.tally.ranges[column] == (values.min(), values.max())
        else:
            assert column not in report.tally.ranges
    assert report.tally.points == len(whole.points)


def test_density_is_taken_over_the_ground_that_holds_points(write: Callable[..., Path]) -> None:
    """A full 100 m x 50 m field and a gap of 300 m beside it: the gap must not thin the density."""
    x, y = np.meshgrid(np.arange(0, 100, 0.5), np.arange(0, 50, 0.5))
    x, y = x.ravel(), y.ravel()
    x[len(x) // 2 :] += 300
    count = len(x)
    path = write(
        count=count,
        X=np.rint((x + 0.1) * 100).astype(int),
        Y=np.rint((y + 0.1) * 50).astype(int),
        number_of_returns=np.full(count, 2),
        return_number=np.tile([1, 2], count // 2),
    )
    report = inspect_flight(path)
    assert report.points_per_area == pytest.approx(4, rel=0.001)
    assert report.pulses_per_area == pytest.approx(2, rel=0.001)
    assert report.spacing == pytest.approx(0.5, rel=0.001)


def test_density_of_a_patch_smaller_than_a_cell_is_that_of_its_box(write: Callable[..., Path]) -> None:
    x, y = np.meshgrid(np.linspace(1, 3, 21), np.linspace(1, 2, 11))
    path = write(count=231, X=np.rint(x.ravel() * 100).astype(int), Y=np.rint(y.ravel() * 50).astype(int))
    assert inspect_flight(path).points_per_area == pytest.approx(231 / 2.0)


def test_density_is_per_square_metre_whatever_the_unit(write: Callable[..., Path]) -> None:
    from pyproj import CRS

    path = write(count=3000)
    cloud = laspy.read(path)
    feet = path.with_name("feet.laz")
    header = laspy.LasHeader(point_format=6, version="1.4")
    header.scales, header.offsets = cloud.header.scales, [0, 0, 0]
    header.add_crs(CRS.from_epsg(2903))  # US survey feet
    other = laspy.LasData(header)
    foot = 1200 / 3937
    other.x, other.y, other.z = cloud.x / foot, cloud.y / foot, cloud.z / foot
    other.return_number = other.number_of_returns = np.ones(3000, np.uint8)
    other.write(feet)
    metric, imperial = inspect_flight(path), inspect_flight(feet)
    assert imperial.flight.crs.horizontal_unit == pytest.approx(foot)
    assert imperial.points_per_area == pytest.approx(metric.points_per_area, rel=0.02)


def test_degrees_have_no_density(write: Callable[..., Path], tmp_path: Path) -> None:
    from pyproj import CRS

    header = laspy.LasHeader(point_format=6, version="1.4")
    header.scales = [1e-7, 1e-7, 0.001]
    header.add_crs(CRS.from_epsg(4326))
    cloud = laspy.LasData(header)
    cloud.x, cloud.y, cloud.z = np.linspace(8, 8.01, 50), np.linspace(50, 50.01, 50), np.zeros(50)
    cloud.return_number = cloud.number_of_returns = np.ones(50, np.uint8)
    cloud.write(tmp_path / "degrees.laz")
    report = inspect_flight(tmp_path / "degrees.laz")
    assert (report.points_per_area, report.spacing, report.as_dict()["area_m2"]) == (None, None, None)
    assert any("degrees" in text for text in report.oddities)


def test_the_size_of_chunks_plays_no_role(write: Callable[..., Path]) -> None:
    path = write(count=5000)
    assert inspect_flight(path, 13).as_dict() == inspect_flight(path, 1_000_000).as_dict()


def test_memory_does_not_grow_with_the_file(write: Callable[..., Path]) -> None:
    def peak(path: Path) -> int:
        inspect_flight(path, 5000)  # first calls import and cache
        tracemalloc.start()
        inspect_flight(path, 5000)
        found = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        return found

    small, large = peak(write("small.las", count=150_000)), peak(write("large.las", count=450_000))
    # 300,000 more points of 30 bytes are 9 MB. (The even sample of at most 100,000 points is full in both.)
    assert large - small < 2_000_000


def test_machines_get_plain_values(write: Callable[..., Path]) -> None:
    values = json.loads(json.dumps(inspect_flight(write()).as_dict(), allow_nan=False))
    assert values["version"] == "1.4"
    assert values["points"] == 3000
    assert values["gps_time"]["kind"] == "adjusted standard"
    assert sum(c["points"] for c in values["classes"]) == 3000
    assert {c["code"]: c["name"] for c in values["classes"]}[7] == "low noise"


def test_a_cloud_of_no_points_and_of_one_point(write: Callable[..., Path], tmp_path: Path) -> None:
    laspy.LasData(laspy.LasHeader(point_format=6, version="1.4")).write(tmp_path / "none.las")
    report = inspect_flight(tmp_path / "none.las")
    assert (report.tally.points, report.spacing, report.as_dict()["bounds"]) == (0, None, None)
    assert any("no points" in text for text in report.oddities)
    assert inspect_flight(write(count=1)).tally.points == 1


def test_a_bad_file_is_one_error(tmp_path: Path) -> None:
    (tmp_path / "bad.laz").write_bytes(b"nothing of the kind")
    with pytest.raises(BadInputError, match=r"bad\.laz"):
        inspect_flight(tmp_path / "bad.laz")


def test_adjusted_times_are_dates() -> None:
    """ASPRS LAS 1.4-R15, global encoding bit 0: GPS seconds since 6 January 1980 less 1e9."""
    moment = datetime(2024, 5, 14, 9, 30, 15, tzinfo=UTC)
    stored = (moment - datetime(1980, 1, 6, tzinfo=UTC)).total_seconds() - 1e9
    text = times_text(stored, stored + 3600, adjusted=True)
    assert text == "2024-05-14 09:30:15 to 2024-05-14 10:30:15 GPS time"


def test_week_times_are_weekdays_from_sunday() -> None:
    assert times_text(0, 604_799, adjusted=False).startswith("Sunday 00:00:00 to Saturday 23:59:59")


@pytest.mark.parametrize("seconds", [-1.0, 604_801.0, 1e300, float("nan")])
def test_impossible_week_times_stay_numbers(seconds: float) -> None:
    assert not is_plausible(seconds, adjusted=False)
    assert times_text(seconds, seconds, adjusted=False).endswith(" s")
    assert times_text(1e300, 1e300, adjusted=True).endswith(" s")
