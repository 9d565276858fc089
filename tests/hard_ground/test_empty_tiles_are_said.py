"""On tiles that no pulse reached the ground of, hardly anything is accepted, and a warning says so."""

import pytest

EMPTY = ("canopy_only", "thicket_only")


@pytest.mark.parametrize("name", EMPTY)
def test_plants_alone_are_not_accepted(judge, name):
    assert judge(name).accepted <= 2.0


@pytest.mark.parametrize("name", EMPTY)
def test_a_warning_speaks_of_the_missing_ground(judge, name):
    assert any("ground" in line for line in judge(name).warnings)


@pytest.mark.parametrize("name", ["rolling", "city", "vineyard"])
def test_no_such_warning_where_there_is_ground(judge, name):
    assert judge(name).warnings == ()
