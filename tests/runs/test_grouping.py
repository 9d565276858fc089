"""Flights that touch are one site, from their headers alone, whatever their order; never across systems."""

import itertools
import math

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st
from scipy.sparse.csgraph import connected_components

from cloudprep.engine.reference import Assumptions
from cloudprep.errors import BadInputError
from cloudprep.model.bounds import Bounds
from cloudprep.runs.grouping import group_flights, header_facts, touching


@pytest.fixture
def grouped():
    """Return groups of names."""

    def go(paths, by="adjacency", gap=10.0, said=None):
        found = group_flights([header_facts(p, said or Assumptions()) for p in paths], by, gap)
        return [[f.path.stem for f in group] for group in found.groups], found.notes

    return go


def test_flights_that_touch_directly_or_through_others_are_one_site(flight, grouped):
    # 20 m wide each: b overlaps a, c touches b at a corner, d lies 9 m from c; e lies 11 m from d.
    paths = [
        flight("a.laz"),
        flight("b.laz", 15),
        flight("c.laz", 35, 20),
        flight("d.laz", 64, 20),
        flight("e.laz", 95, 20),
    ]
    want = [["a", "b", "c", "d"], ["e"]]
    for order in itertools.permutations(paths):
        assert grouped(order)[0] == want
    assert grouped(paths, gap=11.5)[0] == [["a", "b", "c", "d", "e"]]
    assert grouped(paths, gap=0.0)[0] == [["a", "b", "c"], ["d"], ["e"]]


def test_each_file_or_each_folder_may_be_a_site(flight, grouped):
    paths = [flight("day1/a.laz"), flight("day1/b.laz", 500), flight("day2/c.laz", 15)]
    assert grouped(paths, "file")[0] == [["a"], ["b"], ["c"]]
    assert grouped(paths, "folder")[0] == [["a", "b"], ["c"]]


def test_a_folder_whose_flights_lie_farther_apart_than_a_run_takes_is_more_than_one_site(flight, grouped):
    paths = [flight("day/a.laz"), flight("day/b.laz", 5000)]
    groups, notes = grouped(paths, "folder")
    assert groups == [["a"], ["b"]]
    assert any("holds 2 sites" in note for note in notes)


def test_flights_of_different_systems_are_never_together(flight, grouped):
    paths = [flight("a.laz"), flight("b.laz", 5, epsg=25832), flight("c.laz", 10)]
    for by in ("adjacency", "folder"):
        groups, notes = grouped(paths, by)
        assert groups == [["a", "c"], ["b"]]
        assert any("2 kinds" in note for note in notes)


def test_a_flight_without_system_goes_with_the_only_one_there_is(flight, grouped):
    one, bare = flight("a.laz"), flight("b.laz", 5, epsg=None)
    assert grouped([one, bare])[0] == [["a", "b"]]
    other = flight("c.laz", 10, epsg=25832)
    groups, notes = grouped([one, bare, other])
    assert groups == [["a"], ["b"], ["c"]]
    assert any(note.startswith("b.laz: no reference system") for note in notes)
    assert grouped([one, bare, other], said=Assumptions("EPSG:25832"))[0] == [["a"], ["b", "c"]]


def test_extents_are_compared_in_metres(flight, grouped):
    foot = 0.3048
    # 15 m apart: within 50 feet, but not within 10 m.
    assume = Assumptions(units="foot")
    paths = [flight("a.laz", epsg=None, unit=foot), flight("b.laz", 35, epsg=None, unit=foot)]
    assert grouped(paths, said=assume)[0] == [["a"], ["b"]]
    assert grouped(paths, gap=15.5, said=assume)[0] == [["a", "b"]]


def test_an_extent_that_cannot_be_right_joins_nobody(flight, grouped):
    a, b, c = flight("a.laz"), flight("b.laz", 15), flight("c.laz", 5000)
    wild = header_facts(c, Assumptions())
    for box in (
        Bounds(0, 0, 9e6, 9e6),
        Bounds(math.nan, 0, 1, 1),
        Bounds(5, 5, 1, 1),
        Bounds(0, 0, math.inf, 1),
    ):
        odd = type(wild)(c, 400, box, wild.system, wild.units, wild.named)
        found = group_flights([odd, *(header_facts(p, Assumptions()) for p in (a, b))], "adjacency")
        assert [[f.path.stem for f in g] for g in found.groups] == [["a", "b"], ["c"]]
        assert any("c.laz: the extent in its header can't be right" in note for note in found.notes)


def test_a_flight_that_is_none_is_named(flight, tmp_path):
    path = tmp_path / "bad.laz"
    path.write_bytes(b"no cloud")
    with pytest.raises(BadInputError, match="isn't a LAS or LAZ file"):
        header_facts(path, Assumptions())
    with pytest.raises(BadInputError, match="holds no points at all"):
        header_facts(flight("none.laz", count=0), Assumptions())


corner = st.integers(0, 60)
boxes = st.lists(st.tuples(corner, corner, st.integers(0, 12), st.integers(0, 12)), max_size=25)


@given(boxes, st.sampled_from([0.0, 1.0, 2.5, 5.0]))
def test_groups_are_the_connected_parts_that_shapely_and_scipy_find(found, gap):
    """Distances of rectangles by shapely, connected components by scipy: general-purpose libraries."""
    rectangles = [Bounds(x, y, x + w, y + h) for x, y, w, h in found]
    groups = touching(rectangles, gap)
    assert sorted(i for group in groups for i in group) == list(range(len(found)))
    if not found:
        return
    shapes = np.array([shapely.box(*r) for r in rectangles])
    near = shapely.distance(shapes[:, None], shapes[None, :]) <= gap
    count, labels = connected_components(near)
    assert len(groups) == count
    for group in groups:
        assert len(set(labels[group])) == 1
