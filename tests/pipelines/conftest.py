"""A small capture cut out of the demo flights, and the same with damage."""

import copy

import laspy
import numpy as np
import pytest

from cloudprep.engine.demo import demo_folder

# 100 m square where both flights lie.
WEST, SOUTH, SIDE = 382_480.0, 6_037_250.0, 100.0


def cut(path):
    """Return the points of a flight in the square, with a header that tells the truth about them."""
    cloud = laspy.read(path)
    x, y = np.asarray(cloud.x), np.asarray(cloud.y)
    inside = (x >= WEST) & (x < WEST + SIDE) & (y >= SOUTH) & (y < SOUTH + SIDE)
    return only(cloud, inside)


def only(cloud, kept):
    """Return some points of a cloud as a cloud of their own."""
    part = laspy.LasData(copy.deepcopy(cloud.header), cloud.points[np.asarray(kept)].copy())
    part.update_header()
    return part


@pytest.fixture(scope="session")
def sound():
    """Two flights, by name."""
    flights = demo_folder() / "flights"
    return {name: cut(flights / f"{name}.laz") for name in ("flight1", "flight2")}


@pytest.fixture
def capture(sound, tmp_path):
    """Return a function that writes two flights, one or both of them damaged, and gives their folder."""

    def write(damage=None, which="flight2", folder="capture"):
        target = tmp_path / folder
        target.mkdir()
        for name, cloud in sound.items():
            written = only(cloud, np.ones(len(cloud.points), bool))
            if which in {name, "both"} and damage is not None:
                written = damage(written) or written
            written.write(target / f"{name}.laz")
        return target

    return write
