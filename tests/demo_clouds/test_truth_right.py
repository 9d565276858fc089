"""What the truth files claim agrees with the flights and with the ground's formula."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial import cKDTree

from demo_clouds import place, terrain, truth
from demo_clouds.kinds import Kind
from demo_clouds.lidar import FAINT_FACTOR, FLIGHTS, PLACE_SIGMA, SCALE

HIGH = (Kind.BIRD, Kind.FLOCK, Kind.DUST, Kind.STRAY_LIGHT, Kind.FLOATER)
LOW = (Kind.LOW_SINGLE, Kind.LOW_GROUP, Kind.SUNKEN)

# At least so many points of each kind; both flights together where only one sees a thing well.
LIDAR_LEAST = {
    Kind.GROUND: 300_000,
    Kind.HERB: 15_000,
    Kind.SHRUB: 2_000,
    Kind.TREE: 60_000,
    Kind.BUILDING: 20_000,
    Kind.WIRE: 1_500,
    Kind.PYLON: 500,
    Kind.BRIDGE_DECK: 300,
    Kind.WATER: 800,
    Kind.VEHICLE: 800,
    Kind.FENCE: 400,
    Kind.POLE: 30,
    Kind.CONVEYOR: 100,
    Kind.BIRD: 25,
    Kind.FLOCK: 80,
    Kind.DUST: 1_000,
    Kind.STRAY_LIGHT: 60,
    Kind.LOW_SINGLE: 100,
    Kind.LOW_GROUP: 100,
}
TWIN_LEAST = {
    Kind.GROUND: 150_000,
    Kind.TREE: 15_000,
    Kind.BUILDING: 15_000,
    Kind.WATER: 200,
    Kind.FLOATER: 200,
    Kind.SUNKEN: 200,
    Kind.SMEAR: 5_000,
    Kind.BRIDGE_DECK: 500,
}


def off_surface(flight, mask):
    """Distance from the true ground across its surface, m."""
    x, y = flight.x[mask], flight.y[mask]
    return (flight.z[mask] - flight.ground[mask]) / np.sqrt(1.0 + terrain.steepness(x, y) ** 2)


@pytest.mark.parametrize("name", ["flight1", "flight2", "twin"])
def test_truth_has_the_flights_points_in_the_flights_order(every, name):
    flight = every[name]
    for axis in "XYZ":
        np.testing.assert_array_equal(np.asarray(flight.truth_las[axis]), np.asarray(flight.las[axis]))
    folder = place.FOLDER / ("twin" if name == "twin" else "flights")
    read = truth.read_truth(truth.truth_of(folder / f"{name}.laz"))
    np.testing.assert_array_equal(read.kind, flight.kind)
    np.testing.assert_array_equal(read.classification, np.asarray(flight.truth_las.classification))
    # Stored in steps of 1/1024 m.
    np.testing.assert_allclose(read.ground, flight.ground, atol=0.5 / 1024 + 1e-9, rtol=0)
    assert flight.truth_las["true_ground"].dtype == np.float32
    np.testing.assert_allclose(truth.true_ground(flight.las.x, flight.las.y), flight.ground, atol=1e-6)
    inside = truth.is_water(flight.las.x, flight.las.y)
    assert (inside[flight.of(Kind.WATER)]).mean() > 0.97  # a few lie on the shore's edge by their noise


def test_every_kind_of_thing_is_there(flights, twin):
    both = np.concatenate([flight.kind for flight in flights.values()])
    for kind, least in LIDAR_LEAST.items():
        assert np.count_nonzero(both == kind) >= least, kind
    for kind, least in TWIN_LEAST.items():
        assert np.count_nonzero(twin.kind == kind) >= least, kind
    for matched in (Kind.WIRE, Kind.DUST, Kind.LOW_SINGLE):
        assert not twin.of(matched).any()


@pytest.mark.parametrize("name", ["flight1", "flight2"])
def test_ground_points_lie_on_the_ground_within_their_noise(flights, name):
    off = off_surface(flights[name], flights[name].of(Kind.GROUND))
    # A faint echo's range noise, the place's noise on steep ground, and the rounding of stored heights.
    largest = np.sqrt((FLIGHTS[name].range_sigma * FAINT_FACTOR) ** 2 + PLACE_SIGMA**2 + SCALE**2 / 12)
    assert 0.02 < off.std() < 0.05
    assert largest < 0.055
    assert (np.abs(off) > 4 * largest).mean() < 6.4e-5  # the normal distribution's share
    assert np.abs(off).max() < 6 * largest
    assert abs(off.mean()) < 5 * largest / np.sqrt(off.size)


def test_the_twins_ground_is_near_the_ground_and_its_smears_are_not(twin):
    assert np.abs(off_surface(twin, twin.of(Kind.GROUND))).max() <= 0.25
    assert off_surface(twin, twin.of(Kind.GROUND)).std() < 0.05
    assert np.abs(off_surface(twin, twin.of(Kind.SMEAR))).min() > 0.25


@pytest.mark.parametrize("name", ["flight1", "flight2", "twin"])
def test_classes_follow_from_kinds(every, name):
    flight = every[name]
    codes = np.asarray(flight.truth_las.classification)
    expected = {
        2: (Kind.GROUND,),
        6: (Kind.BUILDING,),
        7: LOW,
        18: HIGH,
        17: (Kind.BRIDGE_DECK,),
        9: (Kind.WATER,),
    }
    for code, kinds in expected.items():
        np.testing.assert_array_equal(codes == code, flight.of(*kinds))
    above = flight.z - flight.ground
    plants = flight.of(Kind.HERB, Kind.SHRUB, Kind.TREE)
    np.testing.assert_array_equal(np.isin(codes, (3, 4, 5)), plants)
    assert above[codes == 5].min() >= 3.0
    assert above[codes == 3].max() < 0.5
    assert set(np.unique(codes)) <= {1, 2, 3, 4, 5, 6, 7, 9, 14, 15, 17, 18}


def test_things_stand_where_their_kind_belongs(flights):
    for flight in flights.values():
        above = flight.z - flight.ground
        assert above[flight.of(Kind.WIRE)].min() > 8.0
        assert np.median(above[flight.of(Kind.BUILDING)]) > 3.0
        herbs = above[flight.of(Kind.HERB)]
        assert 0.05 < np.quantile(herbs, 0.01) < np.quantile(herbs, 0.99) < 0.6
        water = flight.of(Kind.WATER)
        assert np.abs(flight.z[water] - terrain.POND_LEVEL).max() < 6 * 0.05
        dust = flight.of(Kind.DUST)
        assert (above[dust] > 10.0).all()
    deck = flights["flight1"].of(Kind.BRIDGE_DECK)
    assert np.ptp(flights["flight1"].x[deck]) < 2 * terrain.GAP_HALF + 1.0
    hall = flights["flight1"].of(Kind.BUILDING) & (np.abs(flights["flight1"].x - 76) < 34)
    hall &= np.abs(flights["flight1"].y - 71) < 27
    assert np.ptp(flights["flight1"].x[hall]) > 60.0
    assert np.ptp(flights["flight1"].y[hall]) > 40.0


@pytest.mark.parametrize("name", ["flight1", "flight2", "twin"])
def test_noise_lies_away_from_everything_real(every, name):
    flight = every[name]
    places = np.column_stack([flight.x, flight.y, flight.z])
    noise = flight.of(*HIGH, *LOW)
    real = cKDTree(places[~noise])
    high, _ = real.query(places[flight.of(*HIGH)])
    assert high.min() > 2.0
    low = flight.of(*LOW)
    assert (flight.z[low] - flight.ground[low]).max() < -0.7
    below, _ = real.query(places[low])
    assert np.median(below) > 1.5


@pytest.mark.parametrize("name", ["flight1", "flight2"])
def test_dense_noise_is_as_crowded_as_it_is_called(flights, name):
    flight = flights[name]
    places = np.column_stack([flight.x, flight.y, flight.z])

    def spacing(kind):
        own = places[flight.of(kind)]
        return np.median(cKDTree(own).query(own, k=2)[0][:, 1])

    # Birds and stray light are alone; a flock, a low group and dust have neighbours of their own kind.
    assert spacing(Kind.LOW_GROUP) < 0.8
    assert spacing(Kind.FLOCK) < 2.5
    assert spacing(Kind.STRAY_LIGHT) > 5.0
    assert spacing(Kind.LOW_SINGLE) > 5.0
    if name == "flight1":
        assert spacing(Kind.DUST) < 0.7


def test_the_wood_lets_part_of_the_light_through(flights):
    for flight in flights.values():
        number, count = np.asarray(flight.las.return_number), np.asarray(flight.las.number_of_returns)
        trees = flight.of(Kind.TREE)
        assert (count[trees] > 1).mean() > 0.5
        struck = trees & (number == 1)
        ground_below = flight.of(Kind.GROUND) & (count > 1)
        assert 0.2 < np.count_nonzero(ground_below) / np.count_nonzero(struck) < 0.9
