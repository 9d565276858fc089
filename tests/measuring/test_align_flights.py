"""Flights onto each other: relative motions that are known come back, and nobody is moved on average."""

import json

import numpy as np
import pytest
from aligned_clouds import EAST, NORTH, Known, hills, moved_copy, remains, scattered, write_cloud
from scipy.spatial.transform import Rotation
from typer.testing import CliRunner

from cloudprep.cli.main import app
from cloudprep.engine.demo import demo_folder
from cloudprep.measuring.align_network import Tie, adjusted, parts_of
from cloudprep.model.motion import Motion


def _why_not():
    try:
        import open3d  # noqa: F401
    except (ImportError, OSError) as error:
        return f"open3d can't be loaded: {error}"
    return ""


WHY_NOT = _why_not()
RIGID = pytest.param("rigid", marks=pytest.mark.skipif(bool(WHY_NOT), reason=WHY_NOT))
TRUTH = demo_folder() / "truth"
CENTRE = (EAST + 60, NORTH + 60, 100)


def run(*arguments):
    return CliRunner().invoke(app, ["align", *map(str, arguments), "--flights"])


def machine(*arguments):
    found = run(*arguments, "--json")
    assert found.exit_code == 0, found.output
    return json.loads(found.stdout)


def between(told, known):
    """Return how a flight's points lie against their true places, m, and how turned, degrees."""
    turn = Rotation.from_matrix(told["rotation"])
    middle = np.array(told["centre"])
    ended = turn.apply(known(np.array(CENTRE)[None])[0] - middle) + middle + told["shift"]
    return ended - CENTRE, np.degrees((turn * known.rotation).as_rotvec())


def strips(tmp_path, motions):
    """Write three flights of a made-up site, each 120 m by 60 m or so, that overlap in a ring."""
    corners = [((0, 120), (0, 70)), ((0, 120), (50, 120)), ((40, 120), (0, 120))]
    paths = []
    for i, (known, (xs, ys)) in enumerate(zip(motions, corners, strict=True)):
        points = scattered(hills, count=60_000, seed=30 + i)
        inside = (
            (points[:, 0] > xs[0]) & (points[:, 0] < xs[1]) & (points[:, 1] > ys[0]) & (points[:, 1] < ys[1])
        )
        local = Known(known.shift, centre=(60, 60, 100))
        local.rotation = known.rotation
        paths.append(write_cloud(tmp_path / f"flight{i}.las", local(points[inside])))
    return paths


def motions_for(allow, seed):
    rng = np.random.default_rng(seed)
    made = []
    for _ in range(3):
        shift, turn = rng.uniform(-0.3, 0.3, 3), rng.uniform(-0.05, 0.05, 3)
        if allow == "vertical":
            shift[:2] = 0
        made.append(Known(shift, turn if allow == "rigid" else (0, 0, 0), CENTRE))
    return made


@pytest.mark.parametrize("allow", ["vertical", "shift", RIGID])
def test_flights_in_a_ring_come_together(tmp_path, allow):
    motions = motions_for(allow, 1)
    report = machine(*strips(tmp_path, motions), "--allow", allow)
    assert len(report["pairs"]) == 3
    ends = [between(told, known) for told, known in zip(report["clouds"], motions, strict=True)]
    for left, turned in ends[1:]:
        assert np.abs(left - ends[0][0]).max() < 0.015
        assert np.abs(turned - ends[0][1]).max() < (0.01 if allow == "rigid" else 1e-9)
    # Nobody is privileged: the mean motion is nothing.
    assert np.abs(np.mean([c["shift"] for c in report["clouds"]], axis=0)).max() < 1e-3
    for pair in report["pairs"]:
        assert abs(pair["misclosure"][2]) < 0.005
        assert abs(pair["after"]["median"]) < 0.003
        assert pair["after"]["rms"] < pair["before"]["rms"]


@pytest.mark.parametrize("allow", ["shift", RIGID])
def test_the_demo_flights_come_together(tmp_path, allow):
    known = Known((0.3, -0.2, 0.25), (0.02, -0.03, 0.05) if allow == "rigid" else (0, 0, 0), CENTRE)
    known.centre = np.array([382_540.0, 6_037_310.0, 200.0])
    moved = moved_copy(TRUTH / "flight2_truth.laz", tmp_path / "two.laz", known)
    first = TRUTH / "flight1_truth.laz"
    report = machine(moved, first, "--allow", allow, "--hold", first)
    stays = next(c for c in report["clouds"] if c["cloud"] == str(first))
    told = next(c for c in report["clouds"] if c["cloud"] != str(first))
    assert stays["shift"] == [0, 0, 0]
    assert np.array_equal(stays["rotation"], np.eye(3))
    left, turned = remains(known, told)
    assert np.abs(left).max() < 0.01
    assert np.abs(turned).max() < 0.002


def test_flights_that_do_not_hang_together_are_refused(tmp_path):
    for i in range(4):
        write_cloud(tmp_path / f"{i}.las", scattered(hills, seed=i, corner=(1000 * (i // 2), 0)))
    found = run(tmp_path)
    assert found.exit_code == 3
    assert "don't hang together by their overlaps: 0.las, 1.las; 2.las, 3.las" in found.stderr
    assert len(found.stderr.strip().splitlines()) == 1


def test_a_pair_that_tells_too_little_is_left_out_aloud(tmp_path):
    """The third flight shares only a corner with the first, and enough with the second."""
    write_cloud(tmp_path / "0.las", scattered(hills, seed=1))
    write_cloud(tmp_path / "1.las", scattered(hills, seed=2, corner=(60, 40)))
    write_cloud(tmp_path / "2.las", scattered(hills, seed=3, corner=(110, 105)))
    report = machine(tmp_path, "--min-overlap", "500")
    assert len(report["pairs"]) == 2
    assert "left out: 2.las and 0.las" in report["warnings"][0]


def test_an_unknown_flight_can_not_be_held(tmp_path):
    for i in range(2):
        write_cloud(tmp_path / f"{i}.las", scattered(hills, count=100, seed=i))
    found = run(tmp_path, "--hold", "none.las")
    assert found.exit_code == 2
    assert "is none of the flights" in found.stderr


def test_a_network_of_shifts_is_plain_least_squares():
    """Against numpy.linalg.lstsq on the same weighted differences, and its free solution of least length."""
    rng = np.random.default_rng(5)
    pairs = [(0, 1), (1, 2), (2, 3), (3, 0), (0, 2)]
    shifts = rng.normal(0, 0.1, (5, 3))
    sigmas = rng.uniform(0.005, 0.05, 5)
    ties = [
        Tie(i, j, Motion(tuple(s), centre=(10.0 * k, 5.0, 0.0)), np.diag([0, 0, 0, *3 * [g**2]]))
        for k, ((i, j), s, g) in enumerate(zip(pairs, shifts, sigmas, strict=True))
    ]
    network = adjusted(4, ties, (3, 4, 5), (0.0, 0.0, 0.0))
    matrix = np.zeros((5, 4))
    for k, (i, j) in enumerate(pairs):
        matrix[k, i], matrix[k, j] = 1, -1
    expected = np.linalg.lstsq(matrix / sigmas[:, None], shifts / sigmas[:, None], rcond=None)[0]
    assert np.array([m.shift for m in network.motions]) == pytest.approx(expected, abs=1e-7)
    cofactor = np.linalg.pinv((matrix / sigmas[:, None] ** 2).T @ matrix)
    told = [v[3, 3] for v in network.covariances]
    assert told == pytest.approx(np.diag(cofactor))
    held = adjusted(4, ties, (3, 4, 5), (0.0, 0.0, 0.0), held=2)
    relative = np.array([m.shift for m in held.motions])
    assert relative == pytest.approx(expected - expected[2], abs=1e-7)
    assert not held.covariances[2].any()


def test_a_network_of_exact_rigid_ties_closes():
    """Turns of whole degrees, far from the centre: first order would leave decimetres."""
    rng = np.random.default_rng(6)
    places = [
        Motion(tuple(rng.normal(0, 1, 3)), tuple(rng.normal(0, 0.02, 3)), (50.0, 20.0, 5.0)) for _ in range(4)
    ]
    pairs = [(0, 1), (1, 2), (2, 3), (3, 0)]
    ties = []
    for i, j in pairs:
        exact = places[i].then(places[j].inverse()).about(tuple(rng.uniform(-200, 200, 3)))
        ties.append(Tie(i, j, exact, np.diag([1e-8] * 3 + [1e-4] * 3)))
    network = adjusted(4, ties, (0, 1, 2, 3, 4, 5), (0.0, 0.0, 0.0), held=0)
    assert np.abs(network.misclosures).max() < 1e-6
    for i in range(1, 4):
        expected = places[i].then(places[0].inverse()).about((0.0, 0.0, 0.0))
        assert network.motions[i].shift == pytest.approx(expected.shift, abs=1e-6)
        assert network.motions[i].turn == pytest.approx(expected.turn, abs=1e-8)


def test_parts_hang_together_whatever_the_order():
    assert parts_of(5, [(3, 4), (0, 4), (1, 2)]) == [[0, 3, 4], [1, 2]]
    assert parts_of(3, []) == [[0], [1], [2]]
