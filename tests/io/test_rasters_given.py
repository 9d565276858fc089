"""Rasters of anybody: opened by what their first bytes say, by nothing that follows names to elsewhere."""

from __future__ import annotations

import numpy as np
import pytest
import rasterio

from cloudprep.errors import BadInputError
from cloudprep.io.raster_reading import open_heights

# A file of the raster library's own kind that names another file (or an address) as its content.
ELSEWHERE = """<VRTDataset rasterXSize="2" rasterYSize="2"><GeoTransform>0,1,0,2,0,-1</GeoTransform>
<VRTRasterBand dataType="Float32" band="1"><SimpleSource><SourceFilename>{}</SourceFilename>
</SimpleSource></VRTRasterBand></VRTDataset>"""


def geotiff(path, **more):
    how = {"driver": "GTiff", "width": 3, "height": 2, "count": 1, "dtype": "float32"}
    how["transform"] = rasterio.Affine(1, 0, 10, 0, -1, 20)
    with rasterio.open(path, "w", **{**how, **more}) as file:
        file.write(np.arange(6, dtype=np.float32).reshape(1, 2, 3))
    return path


@pytest.mark.filterwarnings("ignore::rasterio.errors.NotGeoreferencedWarning")
@pytest.mark.parametrize("name", ["a.tif", "a.vrt", "a.xml", "a"])
def test_a_file_that_names_another_is_refused_whatever_its_name(tmp_path, name):
    secret = geotiff(tmp_path / "secret.tif")
    path = tmp_path / name
    path.write_text(ELSEWHERE.format(secret))
    with rasterio.open(path) as followed:  # the library by itself would follow it
        assert followed.read(1).size == 4
    with pytest.raises(BadInputError, match="is no GeoTIFF, whatever its name says") as caught:
        open_heights(path)
    assert str(secret) not in str(caught.value)


@pytest.mark.parametrize("more", [{}, {"BIGTIFF": "YES"}, {"ENDIANNESS": "BIG"}, {"compress": "deflate"}])
def test_geotiffs_of_every_kind_are_read(tmp_path, more):
    with open_heights(geotiff(tmp_path / "a.data", **more)).opened() as heights:
        assert heights.window(0, 0, 2, 3).tolist() == [[3, 4, 5], [0, 1, 2]]


def test_a_grid_of_text_lines_is_read(tmp_path):
    path = tmp_path / "a.asc"
    path.write_text(
        "ncols 2\nnrows 2\nxllcorner 0\nyllcorner 0\ncellsize 1\nNODATA_value -9999\n1.5 2\n3 -9999\n"
    )
    with open_heights(path).opened() as heights:
        found = heights.window(0, 0, 2, 2)
    np.testing.assert_array_equal(found, [[3, np.nan], [1.5, 2]])


@pytest.mark.parametrize(
    ("content", "says"),
    [(b"", "is empty"), (b"II*\0" + bytes(30), "can't be read as a raster"), (b"PK\3\4", "is no GeoTIFF")],
)
def test_what_is_none_is_one_line(tmp_path, content, says):
    path = tmp_path / "dtm.tif"
    path.write_bytes(content)
    with pytest.raises(BadInputError, match=says) as caught:
        open_heights(path)
    assert "\n" not in str(caught.value)


def test_a_folder_is_no_raster(tmp_path):
    with pytest.raises(BadInputError, match="is a folder"):
        open_heights(tmp_path)
