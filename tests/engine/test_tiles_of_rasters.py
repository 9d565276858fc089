"""Rasters in tiles: whole tiles of the declared scheme, and together the untiled raster to the bit."""

import re

import numpy as np
import pytest
import rasterio

from cloudprep.config.sections import TileScheme
from cloudprep.engine.tiling import Tiling
from cloudprep.errors import UsageError
from cloudprep.model.crs import US_SURVEY_FOOT
from cloudprep.model.grid import Grid, Lattice, Window

EAST, NORTH = 412_000.0, 5_654_000.0


def pipeline(output, cell=0.5):
    return (
        f"cloudprep: 1\nstages:\n- stage: terrain_grid\n  cell: {cell}\n  longest_edge: 5\noutput: {output}\n"
    )


def tiles_of(out, product):
    pattern = re.compile(rf"{product}_([-.\d]+)_([-.\d]+)\.tif")
    return [(p, m) for p in sorted((out / "terrain").iterdir()) if (m := pattern.fullmatch(p.name))]


@pytest.mark.parametrize("product", ["dtm", "dtm_source"])
@pytest.mark.parametrize(("size", "origin"), [(25, (0, 0)), (17, (3, 1.5)), (1000, (0, 0))])
def test_tiles_together_are_the_untiled_raster(clouds, run, pipeline_file, product, size, origin):
    # Columns from 2 m on, so that tiles reach beyond the data; a corner without points leaves a tile empty.
    columns = clouds.columns()
    kept = ~((columns["x"] > 42) & (columns["y"] > 42))
    flight = clouds.write(columns={n: v[kept] for n, v in columns.items()})
    _, plain = run(flight, pipeline=pipeline_file(pipeline("{}")), out="plain")
    scheme = f"{{tiles: {{size: {size}, origin: [{origin[0]}, {origin[1]}]}}}}"
    _, out = run(flight, pipeline=pipeline_file(pipeline(scheme)), out="tiled")
    with rasterio.open(plain / "terrain" / f"{product}.tif") as file:
        whole, place, nothing = file.read(1), file.transform, file.nodata
    assert not (out / "terrain" / f"{product}.tif").exists()
    mosaic = np.full((6000, 6000), nothing, whole.dtype)  # 3 km from 1.5 km south-west of the clouds
    corner = EAST - 1500, NORTH + 1500
    found = tiles_of(out, product)
    for path, match in found:
        with rasterio.open(path) as file:
            values, where = file.read(1), file.transform
            assert (file.bounds.left, file.bounds.bottom) == (float(match[1]), float(match[2]))
        assert values.shape == (size * 2, size * 2)
        assert (where.a, where.e) == (0.5, -0.5)
        assert all((a - o) % size == 0 for a, o in zip((where.c, where.f), origin, strict=True))
        assert (values != nothing).any()
        row, column = round((corner[1] - where.f) * 2), round((where.c - corner[0]) * 2)
        here = mosaic[row : row + size * 2, column : column + size * 2]
        assert (here == nothing).all()  # tiles don't overlap
        here[:] = values
    row, column = round((corner[1] - place.f) * 2), round((place.c - corner[0]) * 2)
    expected = np.full_like(mosaic, nothing)
    expected[row : row + whole.shape[0], column : column + whole.shape[1]] = whole
    assert mosaic.tobytes() == expected.tobytes()
    covering = {17: 16 if origin[0] else 0, 25: 9, 1000: 1}[size]
    assert 0 < len(found) <= covering
    if size == 17:
        assert len(found) < covering  # the empty corner has no file


def test_tiles_in_the_unit_of_the_clouds(clouds, run, pipeline_file, record_of):
    # Cells of 2 US survey feet, given in metres as lengths in pipelines are; tiles of 50 feet.
    flight = clouds.write(
        epsg=2230, unit=US_SURVEY_FOOT, east=6_200_000 * US_SURVEY_FOOT, north=1_800_000 * US_SURVEY_FOOT
    )
    output = "{tiles: {size: 50, unit: cloud}, tile_index: true}"
    _, out = run(flight, pipeline=pipeline_file(pipeline(output, cell=0.6096012192)))
    found = tiles_of(out, "dtm")
    assert found[0][0].name == "dtm_6200000_1800000.tif"
    assert len(found) == 16
    for path, match in found:
        with rasterio.open(path) as file:
            assert file.shape == (25, 25)
            assert file.bounds.left == pytest.approx(float(match[1]), abs=1e-3)
            assert file.bounds.top == pytest.approx(float(match[2]) + 50, abs=1e-3)


@pytest.mark.parametrize(
    ("tiles", "cell", "words"),
    [
        (
            "{size: 10}",
            0.3,
            r"33\.33333333 cells of 'dtm' \(cell 0.3 m\): tiles must be whole cells, such as 9\.9 or 10\.2",
        ),
        ("{size: 0.2}", 0.5, "such as 0.5 or 1"),
        ("{size: 10, origin: [0.2, 0]}", 0.5, "the origin 0.2"),
        ("{size: 32.8083333, unit: cloud}", 0.5, None),
        ("{size: 1000.0001}", 0.5, "whole cells"),
    ],
)
def test_tiles_that_are_not_whole_cells_are_refused_before_any_raster(
    clouds, run, pipeline_file, tmp_path, tiles, cell, words
):
    text = pipeline(f"{{tiles: {tiles}}}", cell)
    with pytest.raises(UsageError, match=words or "whole cells") as caught:
        run(clouds.write(), pipeline=pipeline_file(text))
    assert "\n" not in str(caught.value)
    assert [p for p in (tmp_path / "out").rglob("*") if p.is_file()] == []


def test_tiles_of_any_window_are_a_partition_of_it():
    rng = np.random.default_rng(5)
    for _ in range(40):
        column, row = rng.integers(-200, 200, 2)
        columns, rows = rng.integers(1, 90, 2)
        values = rng.integers(1, 250, (rows, columns)).astype(np.uint8)
        window = Window(Lattice(2.0), int(column), int(row), int(columns), int(rows))
        across = int(rng.integers(1, 40))
        origin = tuple((2.0 * rng.integers(-50, 50, 2)).tolist())
        tiling = Tiling(TileScheme(size=2.0 * across, origin=origin), 1.0)
        cells, names = [], set()
        for piece in tiling.pieces(Grid("codes", values, window, "codes", "", {1: "a"})):
            w = piece.grid.window
            assert piece.name not in names
            names.add(piece.name)
            assert (w.columns, w.rows) == (across, across)
            assert ((w.column * 2 - origin[0]) % (2 * across), (w.row * 2 - origin[1]) % (2 * across)) == (
                0,
                0,
            )
            i, j = np.nonzero(piece.grid.values)
            cells += list(zip(i + w.row, j + w.column, piece.grid.values[i, j], strict=True))
        i, j = np.indices(values.shape)
        expected = zip((i + row).ravel(), (j + column).ravel(), values.ravel(), strict=True)
        assert sorted(cells) == sorted(expected)
