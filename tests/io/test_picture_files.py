"""Shaded relief pictures, read with a reader of their own."""

import numpy as np
import pytest
import rasterio

from cloudprep.errors import OutputError
from cloudprep.io.picture import write_hillshade
from cloudprep.kernels.relief import light_of, shades
from cloudprep.model.grid import Grid, Lattice, Window

pytestmark = pytest.mark.filterwarnings("ignore::rasterio.errors.NotGeoreferencedWarning")


def lit(heights, cell):
    return shades(heights, cell, [light_of(315, 45)])


def grid(values, cell=1.0):
    rows, columns = values.shape
    return Grid("dtm", values, Window(Lattice(cell), 0, 0, columns, rows), "height", "m", shaded=True)


def read(path):
    """Return grey and alpha, north up, by way of GDAL's reader."""
    with rasterio.open(path) as file:
        assert file.driver == "PNG"
        return file.read()


def hill(rows=90, columns=120, *, north=60, east=80):
    row, column = np.mgrid[:rows, :columns].astype(float)
    return 30 * np.exp(-((row - north) ** 2 + (column - east) ** 2) / 200)


def test_picture_is_the_relief_north_up(tmp_path):
    values = hill()
    values[10:20, 30:50] = np.nan
    write_hillshade(grid(values, 2.0), tmp_path / "h.png")
    grey, alpha = read(tmp_path / "h.png")
    light = lit(values, 2.0)[::-1]
    seen = ~np.isnan(light)
    assert np.array_equal(alpha, np.where(seen, 255, 0))
    assert np.abs(grey[seen] - light[seen]).max() <= 0.5
    assert (grey[~seen] == 0).all()


def test_picture_has_the_light_in_the_north_west(tmp_path):
    write_hillshade(grid(hill()), tmp_path / "h.png")
    grey, _ = read(tmp_path / "h.png")
    row, column = 90 - 1 - 60, 80  # the hilltop in the picture
    flat = int(grey[0, 0])
    assert grey[row - 6, column - 6] > flat > grey[row + 6, column + 6]


def test_picture_of_a_tall_grid_has_no_seams_between_strips(tmp_path):
    values = np.random.default_rng(0).normal(0, 1, (1300, 9))
    write_hillshade(grid(values), tmp_path / "h.png")
    grey, _ = read(tmp_path / "h.png")
    assert np.abs(grey - lit(values, 1.0)[::-1]).max() <= 0.5


@pytest.mark.parametrize(
    ("rows", "columns", "size"), [(90, 130, (35, 50)), (10, 400, (2, 50)), (50, 50, (50, 50))]
)
def test_picture_is_no_larger_than_asked(tmp_path, rows, columns, size):
    write_hillshade(grid(hill(rows, columns)), tmp_path / "h.png", largest_side=50)
    assert read(tmp_path / "h.png").shape[1:] == pytest.approx(size, abs=6)
    assert max(read(tmp_path / "h.png").shape) <= 50


def test_picture_of_a_reduced_plane_is_as_bright_as_the_plane(tmp_path):
    row, column = np.mgrid[:200, :300].astype(float)
    plane = 0.4 * column - 0.3 * row
    plane[:, ::7] = np.nan
    write_hillshade(grid(plane, 0.5), tmp_path / "h.png", largest_side=60)
    grey, alpha = read(tmp_path / "h.png")
    bright = lit(0.4 * column - 0.3 * row, 0.5)[5, 5]
    assert (alpha == 255).all()
    # Gaps shift a group's mean a little.
    assert np.median(np.abs(grey[2:-2, 2:-2] - bright)) < 8


def test_picture_of_nothing_is_transparent(tmp_path):
    write_hillshade(grid(np.full((4, 5), np.nan)), tmp_path / "h.png")
    assert (read(tmp_path / "h.png")[1] == 0).all()


def test_picture_of_the_same_grid_has_the_same_bytes(tmp_path):
    for name in ("a.png", "b.png"):
        write_hillshade(grid(hill()), tmp_path / name)
    assert (tmp_path / "a.png").read_bytes() == (tmp_path / "b.png").read_bytes()


def test_picture_into_a_missing_folder_is_one_line(tmp_path):
    with pytest.raises(OutputError, match=r"h\.png: can't be written"):
        write_hillshade(grid(hill()), tmp_path / "nowhere" / "h.png")
