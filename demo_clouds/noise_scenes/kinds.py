"""What a point of a noise scene really is."""

from __future__ import annotations

from enum import IntEnum


class Label(IntEnum):
    """Value of a noise scene's ``label``: below 100 something real, from 100 on noise.

    A moving vehicle or person is real, but stood there for one flight line only; a stage that heeds the
    other lines' empty view may label it without being wrong, so it is counted apart.
    """

    GROUND = 0
    VEGETATION = 1
    LONE_TREE = 2
    UNDERSTOREY = 3
    BUILDING = 4
    WIRE = 5
    GUY = 6
    POLE = 7
    PYLON = 8
    ANTENNA = 9
    CRANE = 10
    FENCE = 11
    CONVEYOR = 12
    VEHICLE = 13
    PERSON = 14
    WATER = 15
    MOVING_VEHICLE = 16
    MOVING_PERSON = 17

    BIRD = 100
    FLOCK = 101
    FOG_BANK = 102
    HAZE = 103
    RAIN = 104
    STRAY_LIGHT = 105
    DUST = 106
    MULTIPATH_ABOVE = 107
    GHOST_SURFACE = 108
    LOW_SINGLE = 120
    LOW_CLUSTER = 121
    PIT = 122
    MIRROR_IMAGE = 123
    EDGE_SMEAR = 140
    SKY_FLOATER = 141
    PATCH = 142
    BELOW_SURFACE = 143
    STRAY_SINGLE = 144


FIRST_NOISE = 100
NOISE = tuple(label for label in Label if label >= FIRST_NOISE)
REAL = tuple(label for label in Label if label < FIRST_NOISE)
LIDAR_NOISE = tuple(label for label in NOISE if label < Label.EDGE_SMEAR)
PHOTOGRAMMETRIC_NOISE = tuple(label for label in NOISE if label >= Label.EDGE_SMEAR)
MOVING = (Label.MOVING_VEHICLE, Label.MOVING_PERSON)
PLANTS = (Label.VEGETATION, Label.LONE_TREE, Label.UNDERSTOREY)

# Kinds that lie below the ground, always.
BELOW = (Label.LOW_SINGLE, Label.LOW_CLUSTER, Label.PIT, Label.MIRROR_IMAGE, Label.BELOW_SURFACE)

# The groups that noise stages are judged by.
SCATTERED = (
    Label.BIRD,
    Label.HAZE,
    Label.RAIN,
    Label.STRAY_LIGHT,
    Label.MULTIPATH_ABOVE,
    Label.STRAY_SINGLE,
)
LOW = (Label.LOW_SINGLE, Label.LOW_CLUSTER, Label.MIRROR_IMAGE, Label.BELOW_SURFACE)
DETACHED = (Label.FLOCK, Label.FOG_BANK, Label.GHOST_SURFACE)
FLOATERS = (Label.SKY_FLOATER, Label.PATCH)
WIRES = (Label.WIRE, Label.GUY)
