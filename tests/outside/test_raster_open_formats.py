"""Raster files against the standards, read as raw bytes.

OGC 19-008r4 (GeoTIFF 1.1): geo keys and their values. OGC 21-026 (Cloud Optimized GeoTIFF): order and kind of
the image directories. TIFF 6.0: tags. And rio-cogeo, another's judge of the same rules.
"""

import struct

import numpy as np
import pytest
from rasterio.crs import CRS
from rio_cogeo.cogeo import cog_validate

from cloudprep.io.raster import write_grid
from cloudprep.model.crs import US_SURVEY_FOOT, CloudCrs
from cloudprep.model.grid import Grid, Lattice, Window

SUBFILE, WIDTH, HEIGHT, COMPRESSION, TILE_WIDTH, TILE_HEIGHT, OFFSETS = 254, 256, 257, 259, 322, 323, 324
PIXEL_SCALE, TIE_POINT, GEO_KEYS, GEO_TEXTS, NODATA = 33550, 33922, 34735, 34737, 42113
DEFLATE = 8
SIZES = {1: ("B", 1), 2: ("c", 1), 3: ("H", 2), 4: ("I", 4), 5: ("II", 8), 12: ("d", 8), 16: ("Q", 8)}


def directories(data):
    """Return the tags of each image directory of a little-endian classic TIFF, in file order."""
    assert data[:4] == b"II*\x00"
    (at,) = struct.unpack_from("<I", data, 4)
    found = []
    while at:
        (count,) = struct.unpack_from("<H", data, at)
        tags = {"at": at}
        for k in range(count):
            tag, kind, n = struct.unpack_from("<HHI", data, at + 2 + 12 * k)
            letter, size = SIZES[kind]
            place = at + 2 + 12 * k + 8
            if n * size > 4:
                (place,) = struct.unpack_from("<I", data, place)
            if kind == 2:
                tags[tag] = data[place : place + n].rstrip(b"\x00").decode()
            else:
                tags[tag] = struct.unpack_from(f"<{n}{letter}", data, place)
        found.append(tags)
        (at,) = struct.unpack_from("<I", data, at + 2 + 12 * count)
    return found


def geo_keys(tags):
    """Return the directory's version numbers, and each key's value (text keys as text)."""
    numbers = tags[GEO_KEYS]
    keys = {}
    for k in range(numbers[3]):
        key, location, count, value = numbers[4 + 4 * k : 8 + 4 * k]
        keys[key] = tags[GEO_TEXTS][value : value + count].rstrip("|") if location == GEO_TEXTS else value
    return numbers[:3], keys


def write(path, crs, *, rows=900, columns=1300, cell=0.5, kind="heights"):
    rng = np.random.default_rng(1)
    window = Window(Lattice(cell), 1_000_001, 10_600_003, columns, rows)
    if kind == "heights":
        values = 300 + rng.normal(0, 1, (rows, columns))
        values[:30, :40] = np.nan
        grid = Grid("dtm", values, window, "terrain height", "m")
    else:
        grid = Grid(
            "codes",
            rng.integers(0, 3, (rows, columns), np.uint8),
            window,
            "codes",
            "",
            {0: "a", 1: "b", 2: "c"},
        )
    write_grid(grid, path, crs)
    return path.read_bytes()


UTM_AND_GEOID = CloudCrs(CRS.from_string("EPSG:32632+5773").to_wkt(), "EPSG:32632 + EPSG:5773", 1.0, 1.0)


def test_raster_geo_keys_of_a_compound_system(tmp_path):
    version, keys = geo_keys(directories(write(tmp_path / "a.tif", UTM_AND_GEOID))[0])
    # Key directory 1, revision 1.1: the minor revision 1 is a must where the vertical key is used.
    assert version == (1, 1, 1)
    assert keys[1024] == 1  # model type: projected
    assert keys[1025] == 1  # raster type: pixel is area
    assert keys[3072] == 32632  # projected system
    assert keys[4096] == 5773  # vertical system
    assert keys.get(4099, 9001) == 9001  # heights in metres
    assert keys.get(3076, 9001) == 9001


def test_raster_geo_keys_of_a_system_in_feet(tmp_path):
    # EPSG:2230 is in US survey feet (unit 9003), EPSG:6360 heights in US survey feet.
    crs = CloudCrs(CRS.from_string("EPSG:2230+6360").to_wkt(), "", US_SURVEY_FOOT, US_SURVEY_FOOT)
    tags = directories(write(tmp_path / "a.tif", crs, cell=US_SURVEY_FOOT))[0]
    version, keys = geo_keys(tags)
    assert version == (1, 1, 1)
    assert (keys[1024], keys[1025], keys[3072], keys[4096]) == (1, 1, 2230, 6360)
    assert keys.get(3076, 9003) == 9003
    assert keys.get(4099, 9003) == 9003
    assert tags[PIXEL_SCALE][:2] == pytest.approx((1.0, 1.0), rel=1e-15)


def test_raster_ties_the_upper_left_corner_of_the_north_western_cell(tmp_path):
    tags = directories(write(tmp_path / "a.tif", UTM_AND_GEOID))[0]
    assert tags[PIXEL_SCALE][:2] == (0.5, 0.5)
    assert tags[TIE_POINT] == (0, 0, 0, 1_000_001 * 0.5, (10_600_003 + 900) * 0.5, 0)


def test_raster_nodata_is_text_in_its_own_tag(tmp_path):
    assert directories(write(tmp_path / "a.tif", UTM_AND_GEOID))[0][NODATA].strip() == "-9999"


@pytest.mark.parametrize("kind", ["heights", "codes"])
def test_raster_directories_are_those_of_a_cloud_optimised_file(tmp_path, kind):
    levels = directories(write(tmp_path / "a.tif", UTM_AND_GEOID, kind=kind))
    full, *overviews = levels
    assert len(overviews) >= 2
    assert (full[WIDTH], full[HEIGHT]) == ((1300,), (900,))
    # Bit 0 of the subfile type is clear in the full image and set in reduced ones.
    assert full.get(SUBFILE, (0,))[0] & 1 == 0
    assert all(level[SUBFILE][0] & 1 == 1 for level in overviews)
    widths = [level[WIDTH][0] for level in levels]
    assert widths == sorted(widths, reverse=True)
    assert len(set(widths)) == len(widths)
    assert all(abs(level[WIDTH][0] - 1300 / 2**n) < 1 for n, level in enumerate(levels))
    # All tiled, sides a power of two and the same on every level.
    assert {level[TILE_WIDTH] + level[TILE_HEIGHT] for level in levels} == {(256, 256)}
    assert {level[COMPRESSION] for level in levels} == {(DEFLATE,)}
    # Only the full image is georeferenced.
    assert PIXEL_SCALE in full
    assert GEO_KEYS in full
    assert not any({PIXEL_SCALE, TIE_POINT, GEO_KEYS} & set(level) for level in overviews)
    # Directories come first, in order; then tiles, the smallest overview first.
    places = [level["at"] for level in levels]
    assert places == sorted(places)
    first_tiles = [min(offset for offset in level[OFFSETS] if offset) for level in levels]
    assert max(places) < min(first_tiles)
    assert first_tiles == sorted(first_tiles, reverse=True)


@pytest.mark.parametrize("kind", ["heights", "codes"])
@pytest.mark.parametrize(("rows", "columns"), [(1, 1), (3, 700), (256, 256), (900, 1300)])
@pytest.mark.parametrize("crs", [UTM_AND_GEOID, CloudCrs()], ids=["compound", "none"])
def test_raster_is_valid_to_another_judge(tmp_path, kind, rows, columns, crs):
    write(tmp_path / "a.tif", crs, rows=rows, columns=columns, kind=kind)
    valid, errors, warnings = cog_validate(tmp_path / "a.tif", strict=True)
    assert (valid, errors, warnings) == (True, [], [])
