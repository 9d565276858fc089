"""The ready pipeline that judges captures lets sound ones pass, and says which flight is damaged and how."""

import json
import shutil
import struct
import xml.etree.ElementTree as ET

import laspy
import numpy as np
import pytest

from cloudprep.config import load_pipeline
from cloudprep.engine.demo import demo_folder
from cloudprep.engine.progress import Silent
from cloudprep.engine.run import RunRequest, run_site


@pytest.fixture
def judged(tmp_path):
    """Return a function that judges a folder, and gives the outcome with what failed: figure and flight."""

    def judge(folder, name="judged"):
        outcome = run_site(
            RunRequest(load_pipeline("capture_gate"), (str(folder),), tmp_path / name), Silent()
        )
        failed = {
            (gate["figure"], gate["flight"].rpartition("/")[2])
            for gate in outcome.record["gates"]
            if gate["outcome"] == "failed"
        }
        return outcome, failed

    return judge


def test_a_sound_capture_passes(capture, judged, tmp_path):
    outcome, failed = judged(capture())
    assert (outcome.exit_code, failed) == (0, set())
    assert {o["kind"] for o in outcome.record["outputs"]} >= {"judgement"}
    assert not list((tmp_path / "judged" / "clouds").glob("*")), "clouds are written that nobody asked for"
    assert outcome.record["extra_dimensions"] == []
    for one in outcome.record["inputs"]:
        figures = one["figures"]
        assert figures["overlaps.offset"] < 0.01
        assert figures["times.missing_share"] == figures["returns.invalid_share"] == 0


def _shifted(cloud):
    cloud.z = np.asarray(cloud.z) + 0.2


def _repeated(cloud):
    rows = np.r_[np.arange(len(cloud.points)), np.arange(0, len(cloud.points), 50)]
    again = laspy.LasData(cloud.header, cloud.points[rows].copy())
    again.update_header()
    return again


def _timeless(cloud):
    cloud.gps_time = np.zeros(len(cloud.points))


def _week_seconds(cloud):
    cloud.gps_time = (np.asarray(cloud.gps_time) + 1e9) % 604_800.0


def _wrong_returns(cloud):
    cloud.return_number = np.full(len(cloud.points), 6)
    cloud.update_header()


def _thinned(cloud):
    rows = np.random.default_rng(4).random(len(cloud.points)) < 0.25
    thin = laspy.LasData(cloud.header, cloud.points[rows].copy())
    thin.update_header()
    return thin


def _no_reference_system(cloud):
    cloud.header.vlrs = [record for record in cloud.header.vlrs if record.user_id != "LASF_Projection"]


def _all_noise(cloud):
    cloud.classification = np.full(len(cloud.points), 7)


def _points_anywhere(cloud):
    z = np.asarray(cloud.z)
    cloud.z = np.random.default_rng(5).uniform(z.min(), z.min() + 200, len(z))
    cloud.update_header()


# What is done to the second flight, and the gates that it must fail.
DAMAGE = {
    "shifted by 0.2 m": (_shifted, {"overlaps.offset", "overlaps.rmse"}),
    "points twice": (_repeated, {"repeated.within_share"}),
    "times are 0": (_timeless, {"times.missing_share"}),
    "seconds of the week under the flag of adjusted time": (_week_seconds, {"times.wrong_share"}),
    "impossible return numbers": (_wrong_returns, {"returns.invalid_share"}),
    "three of four points lost": (_thinned, {"points.density"}),
    "no reference system": (_no_reference_system, {"header.crs_present"}),
    "every point is noise": (_all_noise, {"noise.share", "ground.share"}),
    "points anywhere": (_points_anywhere, {"noise.share"}),
}


@pytest.mark.parametrize("name", DAMAGE)
def test_damage_fails_its_gates_and_the_flight_is_named(name, capture, judged, tmp_path):
    damage, gates = DAMAGE[name]
    outcome, failed = judged(capture(damage))
    assert outcome.exit_code == 3
    assert {(gate, "flight2.laz") for gate in gates} <= failed, failed
    # Whichever of two flights lies wrong, both lie wrong against each other; else the sound one passes.
    assert {gate for gate, flight in failed if flight == "flight1.laz"} <= (
        gates if name.startswith("shifted") else set()
    ), failed
    told = "\n".join(outcome.lines)
    assert all(gate in told for gate in gates)
    assert "flight2.laz" in told
    cases = ET.parse(tmp_path / "judged" / "gates.xml").iter("testcase")  # noqa: S314 - written here
    missed = {(c.get("classname"), c.get("name").split()[0]) for c in cases if c.find("failure") is not None}
    assert {("flight2.laz", gate) for gate in gates} <= missed


def test_the_shift_is_measured_and_told(capture, judged):
    outcome, _ = judged(capture(_shifted))
    for one in outcome.record["inputs"]:
        assert one["figures"]["overlaps.offset"] == pytest.approx(0.2, abs=0.005)
    assert any("flight2 lies 0.20 m above flight1" in line for line in outcome.record["warnings"])


def test_a_flight_delivered_twice_is_found(capture, judged):
    folder = capture()
    shutil.copy(folder / "flight1.laz", folder / "flight3.laz")
    outcome, failed = judged(folder)
    assert outcome.exit_code == 3
    assert {("repeated.between_share", f"flight{n}.laz") for n in (1, 3)} <= failed
    assert ("repeated.between_share", "flight2.laz") not in failed
    shares = [one["figures"]["repeated.between_share"] for one in outcome.record["inputs"]]
    assert shares == [1.0, 0.0, 1.0]


def test_a_capture_of_which_no_flight_has_a_reference_system_is_judged(capture, judged):
    outcome, failed = judged(capture(_no_reference_system, "both"))
    assert outcome.exit_code == 3
    assert failed == {("header.crs_present", f"flight{n}.laz") for n in (1, 2)}


@pytest.mark.parametrize(
    ("place", "form", "value", "figure"),
    [
        (179, "<d", 1e7, "header.bounds_off"),  # largest x
        (255, "<Q", 5, "header.returns_off"),  # points by return, the first
        (107, "<I", 5000, "header.count_off"),  # 32-bit number of points: not the 64-bit one
    ],
)
def test_a_header_that_lies_is_found(place, form, value, figure, capture, judged):
    """Places of the fields: ASPRS LAS 1.4-R15, public header block."""
    folder = capture()
    path = folder / "flight2.laz"
    data = bytearray(path.read_bytes())
    struct.pack_into(form, data, place, value)
    path.write_bytes(data)
    outcome, failed = judged(folder)
    assert outcome.exit_code == 3
    assert {gate for gate, flight in failed if flight == "flight2.laz"} == {figure}


def test_it_judges_the_same_with_points_on_disk_and_flights_in_any_order(capture, tmp_path):
    folder = capture(_shifted)
    first, second = (str(folder / f"flight{n}.laz") for n in (1, 2))
    pipeline = load_pipeline("capture_gate")
    ways = {
        "plain": RunRequest(pipeline, (first, second), tmp_path / "plain"),
        "turned": RunRequest(pipeline, (second, first), tmp_path / "turned"),
        "disk": RunRequest(pipeline, (first, second), tmp_path / "disk", block_points=20_000),
    }
    found = {}
    for name, request in ways.items():
        record = run_site(request, Silent()).record
        gates = sorted((g["figure"], g["flight"], g["value"], g["outcome"]) for g in record["gates"])
        found[name] = json.dumps(gates), {i["path"]: i["figures"] for i in record["inputs"]}
    assert found["plain"] == found["turned"] == found["disk"]


@pytest.mark.slow
def test_the_whole_demo_passes(judged):
    assert judged(demo_folder() / "flights")[1] == set()
