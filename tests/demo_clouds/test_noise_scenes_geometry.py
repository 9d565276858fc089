"""Labels of the noise scenes are right by geometry: what floats, what is buried, how wires hang."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from scipy.optimize import brentq
from scipy.spatial import cKDTree

from demo_clouds.noise_scenes import LIDAR_KINDS, Label, noise_scene
from demo_clouds.noise_scenes import kinds as groups
from demo_clouds.noise_scenes.separable import clearly_noise

SCENES = [*((kind, 10.0) for kind in LIDAR_KINDS), ("photo_town", 60.0), ("photo_wood", 60.0)]
LIDAR = SCENES[:4]
# The lines' heights disagree by up to 0.03 m; 5 sigma of one measurement come on top.
DISAGREE = 0.03
LOOSE = (*groups.MOVING, *groups.PLANTS)


@cache
def scene_of(kind, density):
    return noise_scene(kind, density, 5)


def depth(scene, mask):
    """Return how far points lie below the true ground, m, upright."""
    return scene.ground(scene.x[mask], scene.y[mask]) - scene.z[mask]


def across(scene, mask):
    """Return the same measured across the surface."""
    steep = scene.site.ground.steepness(*scene.frame.back(scene.x[mask], scene.y[mask]))
    return depth(scene, mask) / np.sqrt(1 + steep**2)


@pytest.mark.parametrize(("kind", "density"), SCENES)
def test_ground_points_lie_on_the_true_ground(kind, density):
    scene = scene_of(kind, density)
    off = np.abs(across(scene, scene.label == Label.GROUND))
    assert off.max() < 6 * scene.sigma + DISAGREE
    assert np.median(off) < 2 * scene.sigma + DISAGREE


@pytest.mark.parametrize(("kind", "density"), SCENES)
def test_noise_below_lies_below_the_ground(kind, density):
    scene = scene_of(kind, density)
    for label in groups.BELOW:
        mask = scene.label == label
        # The shallowest late echoes come 0.6 m late; pits get shallow towards their rims.
        least = 0.0 if label == Label.PIT else 0.25
        assert (depth(scene, mask) > least).all(), label


@pytest.mark.parametrize(("kind", "density"), LIDAR)
def test_clouds_in_the_air_float_above_everything_real(kind, density):
    scene = scene_of(kind, density)
    real = ~scene.noise
    tree = cKDTree(np.c_[scene.x, scene.y][real])
    tops = scene.z[real]
    for label in (Label.FLOCK, Label.FOG_BANK, Label.GHOST_SURFACE):
        rows = np.flatnonzero(scene.label == label)
        for row, near in zip(rows, tree.query_ball_point(np.c_[scene.x, scene.y][rows], 1.0), strict=True):
            assert not near or scene.z[row] > tops[near].max() + 1.0, label


@pytest.mark.parametrize(("kind", "density"), [("photo_town", 60.0), ("photo_wood", 60.0)])
def test_photogrammetric_floaters_hang_clear_of_everything_real(kind, density):
    scene = scene_of(kind, density)
    places = np.c_[scene.x, scene.y, scene.z]
    floating = np.isin(scene.label, groups.FLOATERS)
    assert (depth(scene, floating) < -1.5).all()
    nearest, _ = cKDTree(places[~scene.noise]).query(places[floating])
    assert nearest.min() > 0.5


def test_dust_lies_on_the_ground_and_only_one_line_met_it():
    dusty = 0
    for kind, density in LIDAR:
        scene = scene_of(kind, density)
        dust = scene.label == Label.DUST
        if dust.any():
            dusty += 1
            above = -depth(scene, dust)
            assert above.min() > 0.0
            assert np.median(above) < 5.0
            assert len(np.unique(scene.attributes["point_source_id"][dust])) == 1
    assert dusty >= 2


@pytest.mark.parametrize("label", [Label.MOVING_VEHICLE, Label.MOVING_PERSON])
def test_what_moved_on_was_not_there_for_another_line(label):
    seen = 0
    for kind, density in LIDAR:
        scene = scene_of(kind, density)
        line = scene.attributes["point_source_id"]
        mine = scene.label == label
        places = np.c_[scene.x, scene.y, scene.z]
        for number in np.unique(line[mine]):
            # From 0.9 m up: the ground was seen by every line, and leaves may reach in.
            rows = np.flatnonzero(mine & (line == number))
            high = rows[scene.z[rows] - scene.ground(scene.x[rows], scene.y[rows]) > 0.9]
            others = ~scene.noise & (line != number) & ~np.isin(scene.label, LOOSE)
            if others.any() and high.size:
                nearest, _ = cKDTree(places[others]).query(places[high])
                assert nearest.min() > 0.25
                seen += len(high)
    assert seen > 20


def catenary_height(span, x, from_start):
    """Return how far a wire hangs below its chord, from z = a cosh(x / a).

    Found by Huygens, Leibniz and Johann Bernoulli in 1691 and since then in any textbook of mechanics; from
    memory. The parameter ``a`` solves a (cosh(L / 2a) - 1) = sag.
    """
    length = np.hypot(*(span.end - span.start)[:2])
    a = brentq(lambda a: a * (np.cosh(length / (2 * a)) - 1) - span.sag, length / 8, 1e7)
    return span.sag - a * (np.cosh((from_start - length / 2) / a) - 1) + 0 * x


@pytest.mark.parametrize("label", groups.WIRES)
@pytest.mark.parametrize(("kind", "density"), LIDAR)
def test_wires_hang_as_catenaries(kind, density, label):
    scene = scene_of(kind, density)
    mask = scene.label == label
    x, y = scene.frame.back(scene.x[mask], scene.y[mask])
    z = scene.z[mask]
    beside, upright = np.full(len(x), np.inf), np.full(len(x), np.inf)
    for span in (s for s in scene.site.spans if s.label == label):
        chord = span.end - span.start
        length = np.hypot(*chord[:2])
        along = ((x - span.start[0]) * chord[0] + (y - span.start[1]) * chord[1]) / length
        side = np.abs((x - span.start[0]) * chord[1] - (y - span.start[1]) * chord[0]) / length
        hang = catenary_height(span, x, np.clip(along, 0, length))
        off = np.abs(z - (span.start[2] + chord[2] * along / length - hang))
        steep = np.sqrt(1 + ((abs(chord[2]) + 4 * span.sag) / length) ** 2)
        # What isn't on the wire across is on it to the side: a beam of 0.11 m half width, leaning by up to
        # 30 degrees.
        better = (along > -0.5) & (along < length + 0.5) & (side + off / steep < beside + upright)
        beside[better], upright[better] = side[better], (off / steep)[better]
    assert mask.sum() > 5
    assert beside.max() < 0.3
    assert upright.max() < 0.12 + 5 * scene.sigma + DISAGREE + 0.15


@pytest.mark.parametrize(("kind", "density"), SCENES)
def test_nothing_follows_the_axes(kind, density):
    scene = scene_of(kind, density)
    assert not np.isclose(scene.x.min() % 0.5, 0, atol=2e-3) or not np.isclose(
        scene.y.min() % 0.5, 0, atol=2e-3
    )
    # Were the outline parallel to the axes, its southernmost strip would be as long as the whole.
    lowest = scene.y < np.quantile(scene.y, 0.02)
    assert np.ptp(scene.x[lowest]) < 0.8 * np.ptp(scene.x)
    wires = np.isin(scene.label, [Label.WIRE])
    if wires.any():
        flat = np.c_[scene.x, scene.y][wires]
        axis = np.linalg.svd(flat - flat.mean(axis=0), full_matrices=False)[2][0]
        heading = np.degrees(np.arctan2(axis[1], axis[0])) % 90
        assert 3 < heading < 87


def test_the_rule_of_separability_holds_at_its_limits():
    scene = scene_of("plant", 10.0)
    x, y = scene.frame.back(scene.x, scene.y)
    places = np.c_[x, y, scene.z]
    ground = np.flatnonzero(scene.label == Label.GROUND)[::500]
    flat = scene.site.ground.steepness(x[ground], y[ground]) < 0.05
    ground = ground[flat]
    true = scene.site.ground.height(x[ground], y[ground])
    for deep, expected in ((3 * scene.sigma, False), (1.0, True)):
        fake = np.c_[x[ground], y[ground], true - deep]
        clear = clearly_noise(
            np.concatenate([places, fake]),
            np.concatenate([scene.label, np.full(len(fake), Label.PIT, np.uint8)]),
            scene.site,
            scene.spacing,
            scene.sigma,
        )
        assert (clear[len(scene) :] == expected).all()
    leaves = np.flatnonzero(np.isin(scene.label, groups.PLANTS))[::50]
    for up, expected in ((1.2, False), (200.0, True)):
        fake = places[leaves] + [0, 0, up]
        clear = clearly_noise(
            np.concatenate([places, fake]),
            np.concatenate([scene.label, np.full(len(fake), Label.RAIN, np.uint8)]),
            scene.site,
            scene.spacing,
            scene.sigma,
        )
        assert (clear[len(scene) :] == expected).all()


@pytest.mark.parametrize(("kind", "density"), SCENES)
def test_no_real_point_is_separable_noise_and_most_noise_is(kind, density):
    scene = scene_of(kind, density)
    assert not scene.clearly_noise[~scene.noise].any()
    assert scene.clearly_noise[scene.noise].mean() > 0.5
