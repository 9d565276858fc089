"""Each oddity that ``inspect`` tells of is planted in a flight and found; a clean flight has none."""

from __future__ import annotations

import struct
from typing import TYPE_CHECKING, Any

import laspy
import numpy as np
import pytest
from pyproj import CRS

from cloudprep.engine.inspect import inspect_flight

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

COUNT = 2000


@pytest.fixture
def odd(tmp_path: Path) -> Callable[..., list[str]]:
    """Give a function that writes a clean flight with some changes and returns what is odd about it."""

    def odd(
        change: Callable[[laspy.LasData], None] = lambda cloud: None,
        *,
        point_format: int = 7,
        epsg: int | None = 25832,
        patch: tuple[int, bytes] | None = None,
        ending: str = "laz",
        week: bool = False,
    ) -> list[str]:
        rng = np.random.default_rng(11)
        header = laspy.LasHeader(point_format=point_format, version="1.4" if point_format > 5 else "1.2")
        header.scales, header.offsets = np.full(3, 0.01), np.array([400_000.0, 5_600_000.0, 0.0])
        if epsg is not None:
            header.add_crs(CRS.from_user_input(epsg), keep_compatibility=point_format < 6)
        kinds = laspy.header.GpsTimeType
        header.global_encoding.gps_time_type = kinds.WEEK_TIME if week else kinds.STANDARD
        cloud = laspy.LasData(header)
        cloud.X, cloud.Y = rng.integers(0, 5000, COUNT), rng.integers(0, 5000, COUNT)
        cloud.Z = rng.integers(10_000, 12_000, COUNT)
        cloud.number_of_returns, cloud.return_number = np.full(COUNT, 2), np.tile([1, 2], COUNT // 2)
        cloud.classification = rng.choice([1, 2], COUNT)
        cloud.point_source_id = np.full(COUNT, 7)
        cloud.intensity = rng.integers(10, 60_000, COUNT)
        cloud.gps_time = rng.uniform(1e5, 1.2e5, COUNT) if week else rng.uniform(3e8, 3.0001e8, COUNT)
        if "red" in cloud.point_format.dimension_names:
            cloud.red, cloud.green, cloud.blue = rng.integers(0, 65_536, (3, COUNT))
        change(cloud)
        path = tmp_path / f"flight.{ending}"
        cloud.write(path)
        if patch is not None:
            content = bytearray(path.read_bytes())
            content[patch[0] : patch[0] + len(patch[1])] = patch[1]
            path.write_bytes(content)
        return list(inspect_flight(path).oddities)

    return odd


def set_to(name: str, value: Any, rows: slice = slice(None)) -> Callable[[laspy.LasData], None]:
    def change(cloud: laspy.LasData) -> None:
        values = np.array(cloud[name])
        values[rows] = value
        cloud[name] = values

    return change


def test_a_clean_flight_has_no_oddities(odd: Callable[..., list[str]]) -> None:
    assert odd(epsg="EPSG:25832+7837") == []
    assert odd(point_format=3, week=True) == []


def coarse(cloud: laspy.LasData) -> None:
    cloud.Y = np.asarray(cloud.Y) // 50 * 50


@pytest.mark.parametrize(
    ("change", "told"),
    [
        (set_to("return_number", 0, slice(3)), "3 points have a return number that can't be"),
        (set_to("return_number", 3, slice(5)), "5 points have a return number that can't be"),
        (set_to("classification", 12, slice(4)), "class 12 is reserved in point format 7 (4 points)"),
        (set_to("classification", 0, slice(9)), "9 points were never classified (class 0) beside others"),
        (set_to("withheld", 1, slice(6)), "6 points are withheld"),
        (set_to("intensity", 0), "every intensity is 0"),
        (set_to("point_source_id", 0, slice(8)), "8 points belong to no flight line"),
        (set_to("gps_time", 0.0), "no point has a GPS time"),
        (set_to("gps_time", 0.0, slice(2)), "2 points lack a GPS time"),
        (set_to("gps_time", -2e9, slice(1)), "times are adjusted standard GPS time, but -2000000000 to"),
        (set_to("gps_time", 1e5), "they could be seconds of the GPS week"),
        (set_to("X", 2_000_000_000, slice(1)), "some points lie far from the rest (x 20400000)"),
        (set_to("Z", -90_000_000, slice(1)), "some points lie far from the rest (z -900000)"),
        (set_to("Z", 5), "all points have the same z"),
        (coarse, "y only takes steps of 0.5"),
    ],
)
def test_a_planted_oddity_is_found(
    odd: Callable[..., list[str]], change: Callable[[laspy.LasData], None], told: str
) -> None:
    found = odd(change)
    assert any(told in text for text in found), found


def test_only_single_returns_are_told(odd: Callable[..., list[str]]) -> None:
    def single(cloud: laspy.LasData) -> None:
        cloud.return_number = cloud.number_of_returns = np.ones(COUNT, np.uint8)

    assert any("every point is return 1 of 1" in text for text in odd(single))


def test_eight_bit_and_black_colours_are_told(odd: Callable[..., list[str]]) -> None:
    def eight(cloud: laspy.LasData) -> None:
        cloud.red, cloud.green, cloud.blue = (
            np.asarray(c) // 256 for c in (cloud.red, cloud.green, cloud.blue)
        )

    def black(cloud: laspy.LasData) -> None:
        cloud.red = cloud.green = cloud.blue = np.zeros(COUNT, np.uint16)

    assert any("colours take 8 bits" in text for text in odd(eight))
    assert any("every colour is black" in text for text in odd(black))


def test_class_18_in_an_old_format_is_told_with_its_newer_meaning(odd: Callable[..., list[str]]) -> None:
    found = odd(set_to("classification", 18, slice(2)), point_format=3, week=True)
    assert any(
        "class 18 is reserved in point format 3; from format 6 on it means high noise" in t for t in found
    )


def test_times_under_the_wrong_flag_are_told(odd: Callable[..., list[str]]) -> None:
    found = odd(set_to("gps_time", 3.3e8), week=True)
    assert any(
        "seconds of the GPS week, but 330000000 to 330000000 can't be; they look like" in t for t in found
    )


def test_a_wrong_box_and_wrong_numbers_by_return_are_told(odd: Callable[..., list[str]]) -> None:
    # Offsets of the LAS 1.4 header (ASPRS LAS 1.4-R15): max x at byte 179, points by return from byte 255 on.
    assert any("the header says x from " in text for text in odd(patch=(179, struct.pack("<d", 999_999.0))))
    found = odd(patch=(255, struct.pack("<Q", 17)))
    assert any("points by return are wrong: it says 17, 1,000" in text for text in found), found


def test_no_reference_system_is_told(odd: Callable[..., list[str]]) -> None:
    assert any("no reference system: metres are ASSUMED" in text for text in odd(epsg=None))


def test_points_far_apart_make_the_density_rough(odd: Callable[..., list[str]]) -> None:
    def thin(cloud: laspy.LasData) -> None:
        cloud.X = np.asarray(cloud.X) * 20
        cloud.Y = np.asarray(cloud.Y) * 20

    assert any("density and spacing (in 5 m cells) are rough" in text for text in odd(thin))
