"""Facets over cells, held against shapely cell by cell."""

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from cloudprep.kernels.facet_cover import Facets, facet_cover

ROWS, COLUMNS = 6, 7


def facets_of(polygons, planes):
    """Planes as (height at 0, 0; rise east; rise north)."""
    turned = [shapely.geometry.polygon.orient(p) for p in polygons]
    rings = [np.asarray(r.coords) for p in turned for r in (p.exterior, *p.interiors)]
    ring = np.r_[0, np.cumsum([len(r) for r in rings])]
    facet = np.r_[0, np.cumsum([1 + len(p.interiors) for p in turned])]
    xy = np.concatenate(rings)
    z0, east, north = np.array(planes, float).T
    px, py = np.full(len(planes), 3.0), np.full(len(planes), -2.0)
    return Facets(
        xy[:, 0].copy(), xy[:, 1].copy(), ring, facet, px, py, z0 + east * px + north * py, east, north
    )


def by_shapely(polygons, planes, window):
    row, column, rows, columns = window
    out = np.zeros((4, rows, columns))
    for polygon, (z0, east, north) in zip(polygons, planes, strict=True):
        for r in range(rows):
            for c in range(columns):
                part = polygon.intersection(shapely.box(column + c, row + r, column + c + 1, row + r + 1))
                if part.area > 0:
                    x, y = part.centroid.x, part.centroid.y
                    moments = (1, x - column - c - 0.5, y - row - r - 0.5, z0 + east * x + north * y)
                    out[:, r, c] += part.area * np.array(moments)
    return out


places = st.tuples(st.floats(-3, 10), st.floats(-3, 9))
planes = st.tuples(st.floats(-9, 9), st.floats(-2, 2), st.floats(-2, 2))


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(places, places, places, planes), min_size=1, max_size=3), st.integers(-2, 2))
def test_facet_cover_agrees_with_shapely(given_facets, first):
    shapes = [shapely.Polygon(g[:3]) for g in given_facets]
    kept = [(s, g[3]) for s, g in zip(shapes, given_facets, strict=True) if s.is_valid and s.area > 1e-6]
    if not kept:
        return
    polygons, of = zip(*kept, strict=True)
    window = (first, first, ROWS, COLUMNS)
    found = facet_cover(facets_of(polygons, of), window)
    np.testing.assert_allclose(np.array(found), by_shapely(polygons, of, window), atol=1e-8)


def test_facet_cover_of_pieces_with_holes():
    ring = shapely.Point(3.2, 2.9).buffer(2.6) - shapely.Point(3.0, 3.1).buffer(1.1)
    window = (0, 0, ROWS, COLUMNS)
    found = facet_cover(facets_of([ring], [(5, 0.3, -0.2)]), window)
    np.testing.assert_allclose(np.array(found), by_shapely([ring], [(5, 0.3, -0.2)], window), atol=1e-9)
    assert found.area.sum() == pytest.approx(ring.area)


def test_facet_cover_by_windows_is_that_of_the_whole():
    polygon = shapely.Polygon([(-1, -1), (8.3, 2), (2.2, 7.7)])
    facets = facets_of([polygon], [(1, 2, 3)])
    whole = np.array(facet_cover(facets, (0, 0, ROWS, COLUMNS)))
    parts = [np.array(facet_cover(facets, (r, 0, 2, COLUMNS))) for r in (0, 2, 4)]
    np.testing.assert_allclose(np.concatenate(parts, axis=1), whole, atol=1e-12)
