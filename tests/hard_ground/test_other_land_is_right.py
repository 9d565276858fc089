"""Every other scene has a bar of its own: ground kept and objects accepted, percent.

The bars are this project's own, set before any stage was measured. Decks, low echoes and photogrammetric
smears are asked for by themselves, too.
"""

import pytest

from demo_clouds.kinds import Kind

BARS = {
    "rolling": (99.5, 1.0),
    "city": (99.0, 1.0),
    "bridge": (99.0, 2.0),
    "junction": (99.0, 2.0),
    "hillside_houses": (98.0, 4.0),
    "vineyard": (99.0, 4.0),
    "building_site": (97.0, 5.0),
    "overhang": (95.0, 8.0),
    "water": (98.0, 8.0),
    "low_multipath": (99.0, 1.0),
}


@pytest.mark.parametrize("name", BARS)
def test_ground_is_kept(judge, name):
    assert judge(name).kept >= BARS[name][0]


@pytest.mark.parametrize("name", BARS)
def test_objects_are_not_accepted(judge, name):
    # Echoes from water lie where the terrain model has its surface.
    assert judge(name).accepted_clear(Kind.WATER) <= BARS[name][1]


@pytest.mark.parametrize(
    "name",
    [pytest.param("bridge", marks=pytest.mark.xfail(reason="3.7 % of the decks are accepted")), "junction"],
)
def test_decks_are_out(judge, name):
    assert judge(name).accepted_of(Kind.BRIDGE_DECK) <= 2.0


def test_groups_of_low_echoes_are_no_ground(judge):
    judged = judge("low_multipath")
    assert judged.accepted_of(Kind.LOW_GROUP, Kind.LOW_SINGLE) <= 2.0
    assert judged.rmse <= 0.15


@pytest.mark.xfail(reason="9.1 % of the ledge is accepted")
def test_what_juts_out_over_lower_ground_is_no_ground(judge):
    assert judge("overhang").accepted_of(Kind.LEDGE) <= 8.0
