"""GeoTIFF files: what they hold, where it lies, and that a failed write leaves nothing."""

import subprocess
import sys
import textwrap
from types import SimpleNamespace

import numpy as np
import pytest
import rasterio
from rasterio.crs import CRS

from cloudprep.errors import CrsError, OutputError
from cloudprep.io.raster import _strips, write_grid
from cloudprep.io.raster_on_disk import LostCellsError, refuse_losses
from cloudprep.model.crs import INTERNATIONAL_FOOT, US_SURVEY_FOOT, CloudCrs
from cloudprep.model.grid import Grid, Lattice, Window

METRIC = CloudCrs(CRS.from_string("EPSG:32632+5773").to_wkt(), "EPSG:32632 + EPSG:5773", 1.0, 1.0)
LEGEND = {0: "empty", 1: "measured", 2: "interpolated"}


def window(rows, columns, *, cell=0.5, column=824_000, row=11_308_000, origin=(412_000.0, 5_654_000.0)):
    return Window(Lattice(cell, origin), column, row, columns, rows)


def heights(rows=40, columns=60, **where):
    values = 300 + np.add.outer(np.arange(rows) * 0.25, np.arange(columns) * 0.125)
    values[3:6, 4:9] = np.nan
    return Grid("dtm", values, window(rows, columns, **where), "terrain height at the cell centre", "m")


def codes(rows=40, columns=60):
    values = np.random.default_rng(0).integers(0, 3, (rows, columns), dtype=np.uint8)
    return Grid("dtm_source", values, window(rows, columns), "where heights come from", "", LEGEND)


def test_raster_holds_heights_north_up_with_nodata(tmp_path):
    grid = heights()
    write_grid(grid, tmp_path / "dtm.tif", METRIC, software="cloudprep 9.9")
    with rasterio.open(tmp_path / "dtm.tif") as file:
        found = file.read(1)
        assert (file.dtypes, file.nodata, file.shape) == (("float32",), -9999.0, (40, 60))
        assert file.transform.to_gdal() == (412_000.0, 0.5, 0.0, 5_654_020.0, 0.0, -0.5)
        assert file.tags()["AREA_OR_POINT"] == "Area"
        assert file.tags()["TIFFTAG_SOFTWARE"] == "cloudprep 9.9"
        assert (file.descriptions, file.units) == (("terrain height at the cell centre",), ("metre",))
        assert file.profile["tiled"]
        assert (file.profile["blockxsize"], file.profile["compress"]) == (256, "deflate")
        # GDAL names the predictor of floating point numbers 3.
        assert file.tags(ns="IMAGE_STRUCTURE")["PREDICTOR"] == "3"
    expected = np.where(np.isnan(grid.values), -9999.0, grid.values).astype(np.float32)[::-1]
    assert np.array_equal(found, expected)
    assert found[-1, 0] == 300.0


def test_raster_keeps_both_parts_of_the_reference_system(tmp_path):
    write_grid(heights(), tmp_path / "dtm.tif", METRIC)
    with rasterio.open(tmp_path / "dtm.tif") as file:
        assert file.crs == CRS.from_string("EPSG:32632+5773")


def test_raster_without_a_reference_system_has_none_and_still_lies_right(tmp_path):
    write_grid(heights(), tmp_path / "dtm.tif", CloudCrs())
    with rasterio.open(tmp_path / "dtm.tif") as file:
        assert file.crs is None
        assert file.transform.c == 412_000.0


@pytest.mark.parametrize(
    ("horizontal", "vertical", "name"),
    [
        (US_SURVEY_FOOT, US_SURVEY_FOOT, "US survey foot"),
        (INTERNATIONAL_FOOT, INTERNATIONAL_FOOT, "foot"),
        (US_SURVEY_FOOT, 1.0, "metre"),
        (1.0, INTERNATIONAL_FOOT, "foot"),
    ],
)
def test_raster_is_written_in_the_units_of_the_cloud(tmp_path, horizontal, vertical, name):
    crs = CloudCrs(None, "none", horizontal, vertical)
    grid = heights()
    write_grid(grid, tmp_path / "dtm.tif", crs)
    with rasterio.open(tmp_path / "dtm.tif") as file:
        found, place, units = file.read(1), file.transform, file.units
    assert units == (name,)
    known = ~np.isnan(grid.values)
    assert np.array_equal(found[::-1][known], (grid.values[known] / vertical).astype(np.float32))
    assert place.a == pytest.approx(0.5 / horizontal, rel=1e-15)
    # Edges are whole multiples of the cell in the cloud's own unit too.
    assert place.c / place.a == pytest.approx(824_000, abs=1e-6)
    assert place.f / place.a == pytest.approx(11_308_040, abs=1e-6)


def test_raster_in_whole_feet_has_edges_on_whole_multiples(tmp_path):
    # Cells of 2 US survey feet, given in metres as stages do.
    crs = CloudCrs(CRS.from_epsg(2230).to_wkt(), "EPSG:2230", US_SURVEY_FOOT, US_SURVEY_FOOT)
    write_grid(heights(cell=2 * US_SURVEY_FOOT, column=3_100_000, row=900_000), tmp_path / "dtm.tif", crs)
    with rasterio.open(tmp_path / "dtm.tif") as file:
        assert file.transform.to_gdal() == pytest.approx((6_200_000, 2, 0, 1_800_080, 0, -2), rel=1e-14)
        assert file.crs.to_epsg() == 2230


def test_raster_of_neighbouring_windows_meets_exactly(tmp_path):
    crs = CloudCrs(None, "none", US_SURVEY_FOOT, US_SURVEY_FOOT)
    write_grid(heights(cell=0.3, column=2_040_001), tmp_path / "west.tif", crs)
    write_grid(heights(cell=0.3, column=2_040_061), tmp_path / "east.tif", crs)
    with rasterio.open(tmp_path / "west.tif") as west, rasterio.open(tmp_path / "east.tif") as east:
        assert west.bounds.right == pytest.approx(east.bounds.left, abs=1e-9)


def test_raster_of_codes_says_what_they_mean(tmp_path):
    grid = codes()
    write_grid(grid, tmp_path / "dtm_source.tif", METRIC)
    with rasterio.open(tmp_path / "dtm_source.tif") as file:
        assert (file.dtypes, file.nodata) == (("uint8",), 0.0)
        assert np.array_equal(file.read(1), grid.values[::-1])
        assert {k: v for k, v in file.tags(1).items() if k.startswith("CODE_")} == {
            "CODE_0": "empty",
            "CODE_1": "measured",
            "CODE_2": "interpolated",
        }
        palette = file.colormap(1)
        assert palette[0][3] == 0
        assert len({palette[code] for code in LEGEND}) == len(LEGEND)
        # Differences of neighbours, which the predictor would store, pack worse than the codes themselves.
        assert file.tags(ns="IMAGE_STRUCTURE")["COMPRESSION"] == "DEFLATE"
        assert "PREDICTOR" not in file.tags(ns="IMAGE_STRUCTURE")


def test_raster_overviews_of_heights_are_means_and_leave_nodata_out(tmp_path):
    grid = heights(512, 768)
    write_grid(grid, tmp_path / "dtm.tif", METRIC)
    with rasterio.open(tmp_path / "dtm.tif", overview_level=0) as file:
        found = file.read(1, masked=True)
    four = grid.values[::-1].reshape(256, 2, 384, 2).swapaxes(1, 2).reshape(256, 384, 4)
    known = ~np.isnan(four)
    means = np.nansum(four, axis=2) / np.maximum(known.sum(axis=2), 1)
    assert np.array_equal(found.mask, ~known.any(axis=2))
    assert np.abs(found - means)[~found.mask].max() < 1e-4


def test_raster_overviews_of_codes_hold_the_commonest_code(tmp_path):
    # Two cells of code 3 with one of 1 and one of 2: the mean of their colours would be nearest to that of 4.
    values = np.tile(np.array([[3, 1], [2, 3]], np.uint8), (300, 300))
    legend = {1: "a", 2: "b", 3: "c", 4: "d"}
    write_grid(Grid("c", values, window(600, 600), "codes", "", legend), tmp_path / "c.tif", METRIC)
    with rasterio.open(tmp_path / "c.tif", overview_level=0) as file:
        assert (file.read(1) == 3).all()


def test_raster_of_the_same_grid_has_the_same_bytes(tmp_path):
    for name in ("a.tif", "b.tif"):
        write_grid(heights(700, 900), tmp_path / name, METRIC, software="x")
    assert (tmp_path / "a.tif").read_bytes() == (tmp_path / "b.tif").read_bytes()


def test_raster_leaves_one_file_and_no_others(tmp_path):
    write_grid(heights(700, 900), tmp_path / "dtm.tif", METRIC)
    write_grid(codes(700, 900), tmp_path / "dtm.tif", METRIC)
    assert [p.name for p in tmp_path.iterdir()] == ["dtm.tif"]


def test_raster_nodata_may_be_chosen_and_may_be_no_number(tmp_path):
    for nodata in (-999_999.0, float("nan")):
        write_grid(heights(), tmp_path / "dtm.tif", METRIC, nodata=nodata)
        with rasterio.open(tmp_path / "dtm.tif") as file:
            assert np.array_equal(file.nodata, nodata, equal_nan=True)
            assert file.read(1, masked=True).mask.sum() == 15


@pytest.mark.parametrize(
    ("change", "nodata", "words"),
    [
        (0.0, 0.1, "no exact float32"),
        (-9999.0, -9999.0, "equals the nodata value -9999"),
        (1e39, -9999.0, "too large for float32"),
        (np.inf, -9999.0, "too large for float32"),
    ],
)
def test_raster_refuses_values_that_would_not_survive(tmp_path, change, nodata, words):
    grid = heights()
    grid.values[0, 0] = change
    with pytest.raises(OutputError, match=words):
        write_grid(grid, tmp_path / "dtm.tif", METRIC, nodata=nodata)
    assert list(tmp_path.iterdir()) == []


def test_raster_refuses_degrees(tmp_path):
    with pytest.raises(CrsError, match="degrees"):
        write_grid(heights(), tmp_path / "dtm.tif", CloudCrs(CRS.from_epsg(4326).to_wkt(), geographic=True))


def test_raster_with_a_broken_reference_system_is_one_line(tmp_path):
    with pytest.raises(CrsError, match="reference system can't be written") as caught:
        write_grid(heights(), tmp_path / "dtm.tif", CloudCrs('PROJCS["nonsense'))
    assert "\n" not in str(caught.value)
    assert list(tmp_path.iterdir()) == []


def test_raster_into_a_missing_folder_is_one_line(tmp_path):
    with pytest.raises(OutputError, match=r"dtm\.tif: can't be written"):
        write_grid(heights(), tmp_path / "nowhere" / "dtm.tif", METRIC)


def test_raster_replaces_an_old_file_only_by_a_complete_one(tmp_path):
    target = tmp_path / "dtm.tif"
    write_grid(heights(), target, METRIC)
    before = target.read_bytes()
    broken = heights()
    broken.values[0, 0] = -9999.0
    with pytest.raises(OutputError):
        write_grid(broken, target, METRIC)
    assert target.read_bytes() == before


# A limit on the size of files stands in for a disk that fills up.
SCRIPT = """
import resource, signal, sys
import numpy as np
from pathlib import Path
from cloudprep.errors import OutputError
from cloudprep.io.raster import write_grid
from cloudprep.model.crs import CloudCrs
from cloudprep.model.grid import Grid, Lattice, Window

values = np.random.default_rng(0).random((500, 700))
grid = Grid("dtm", values, Window(Lattice(1.0), 0, 0, 700, 500), "height", "m")
folder = Path(sys.argv[1])
write_grid(grid, folder / "whole.tif", CloudCrs())
size = (folder / "whole.tif").stat().st_size
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
for limit in (100, size // 3, size - 200_000, size - 5_000, size - 1):
    resource.setrlimit(resource.RLIMIT_FSIZE, (limit, resource.RLIM_INFINITY))
    try:
        write_grid(grid, folder / "cut.tif", CloudCrs())
    except OutputError as error:
        assert "cut.tif: can't be written" in str(error) and chr(10) not in str(error), error
        print("refused")
    else:
        print("written at", limit, "of", size)
print(sorted(p.name for p in folder.iterdir()))
"""


@pytest.mark.skipif(sys.platform == "win32", reason="limits on file sizes are set in the POSIX way")
def test_raster_on_a_full_disk_is_an_error_and_leaves_nothing(tmp_path):
    done = subprocess.run(
        [sys.executable, "-c", textwrap.dedent(SCRIPT), tmp_path], capture_output=True, text=True, check=False
    )
    assert done.stdout.splitlines() == ["refused"] * 5 + ["['whole.tif']"], done.stdout + done.stderr
    assert done.stderr == ""


def directions(rows, columns):
    """Values of which overviews take the nearest: they don't blend."""
    values = np.random.default_rng(0).uniform(0, 360, (rows, columns))
    return Grid("aspect", values, window(rows, columns), "direction", "degrees", blends=False)


@pytest.mark.parametrize("make", [heights, codes, directions])
@pytest.mark.parametrize("shape", [(40, 60), (1001, 701), (895, 895)])
def test_raster_finished_on_disk_has_the_bytes_of_one_finished_in_memory(tmp_path, make, shape):
    scratch = tmp_path / "scratch"
    scratch.mkdir()
    taken = write_grid(make(*shape), tmp_path / "disk.tif", METRIC, software="x", scratch=scratch)
    assert write_grid(make(*shape), tmp_path / "memory.tif", METRIC, software="x") == 0
    assert (tmp_path / "disk.tif").read_bytes() == (tmp_path / "memory.tif").read_bytes()
    assert taken > (tmp_path / "disk.tif").stat().st_size
    assert list(scratch.iterdir()) == []


def test_raster_finished_on_disk_is_refused_where_there_is_no_room(tmp_path, monkeypatch):
    monkeypatch.setattr("shutil.disk_usage", lambda _: SimpleNamespace(free=20_500_000))
    with pytest.raises(OutputError, match=r"raster needs up to 0\.02 GB of scratch space, 0\.02 GB are free"):
        write_grid(heights(700, 900), tmp_path / "dtm.tif", METRIC, scratch=tmp_path)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("level", [None, 0, 1])
def test_raster_that_lost_a_tile_is_found_out(tmp_path, level):
    grid = heights(1100, 1500)
    target = tmp_path / "dtm.tif"
    write_grid(grid, target, METRIC)
    refuse_losses(target, _strips(grid, METRIC, -9999.0))
    more = {} if level is None else {"overview_level": level}
    with rasterio.open(target, **more) as file:
        start = int(file.get_tag_item("BLOCK_OFFSET_0_1", "TIFF", bidx=1))
        size = int(file.get_tag_item("BLOCK_SIZE_0_1", "TIFF", bidx=1))
    content = bytearray(target.read_bytes())
    # Its place and size in the directory become 0: a tile that was never written.
    for number in (start, size):
        packed = number.to_bytes(4, "little")
        assert content.count(packed) >= 1
        content = content.replace(packed, bytes(4), 1)
    target.write_bytes(content)
    with pytest.raises(LostCellsError):
        refuse_losses(target, _strips(grid, METRIC, -9999.0))


def test_raster_finished_on_a_full_disk_is_an_error_and_leaves_nothing(tmp_path):
    (tmp_path / "scratch").mkdir()
    script = textwrap.dedent(SCRIPT).replace(
        'write_grid(grid, folder / "cut.tif", CloudCrs())',
        'write_grid(grid, folder / "cut.tif", CloudCrs(), scratch=folder / "scratch")',
    )
    script += 'print(sorted(p.name for p in (folder / "scratch").iterdir()))\n'
    done = subprocess.run(
        [sys.executable, "-c", script, tmp_path], capture_output=True, text=True, check=False
    )
    assert done.stdout.splitlines() == ["refused"] * 5 + ["['scratch', 'whole.tif']", "[]"], done.stderr


@pytest.mark.parametrize("kind", ["heights", "codes", "feet"])
def test_raster_statistics_are_those_of_what_is_stored(tmp_path, kind):
    grid = codes(700, 300) if kind == "codes" else heights(700, 300)
    crs = CloudCrs(None, "none", 1.0, INTERNATIONAL_FOOT) if kind == "feet" else METRIC
    write_grid(grid, tmp_path / "a.tif", crs)
    with rasterio.open(tmp_path / "a.tif") as file:
        values, tags = file.read(1, masked=True), file.tags(1)
    stored = values.compressed().astype(np.float64)
    assert float(tags["STATISTICS_MINIMUM"]) == stored.min()
    assert float(tags["STATISTICS_MAXIMUM"]) == stored.max()
    assert float(tags["STATISTICS_MEAN"]) == pytest.approx(stored.mean(), rel=1e-14)
    assert float(tags["STATISTICS_STDDEV"]) == pytest.approx(stored.std(), rel=1e-12)
    assert float(tags["STATISTICS_VALID_PERCENT"]) == 100 * len(stored) / values.size


def test_raster_statistics_keep_their_digits_where_heights_are_large_and_alike(tmp_path):
    values = 5000 + np.random.default_rng(0).normal(0, 0.002, (500, 400)).astype(np.float32)
    write_grid(Grid("dtm", values, window(500, 400), "height", "m"), tmp_path / "a.tif", METRIC)
    with rasterio.open(tmp_path / "a.tif") as file:
        found = float(file.tags(1)["STATISTICS_STDDEV"])
    assert found == pytest.approx(values.astype(np.float64).std(), rel=1e-9)


def test_raster_of_nothing_has_no_statistics(tmp_path):
    write_grid(Grid("dtm", np.full((9, 9), np.nan), window(9, 9), "h", "m"), tmp_path / "a.tif", METRIC)
    with rasterio.open(tmp_path / "a.tif") as file:
        assert not any(name.startswith("STATISTICS") for name in file.tags(1))


def test_raster_says_that_it_needs_checking(tmp_path):
    write_grid(heights(), tmp_path / "a.tif", METRIC, tags={"HEIGHTS": "above the quay"})
    with rasterio.open(tmp_path / "a.tif") as file:
        assert "licensed practice" in file.tags()["CAUTION"]
        assert file.tags()["HEIGHTS"] == "above the quay"


def test_raster_of_directions_has_no_means_in_overviews(tmp_path):
    values = np.where(np.indices((600, 600)).sum(axis=0) % 2, 359.0, 1.0)
    grid = Grid("aspect", values, window(600, 600), "direction", "degrees", blends=False)
    write_grid(grid, tmp_path / "a.tif", METRIC)
    with rasterio.open(tmp_path / "a.tif", overview_level=0) as file:
        assert set(np.unique(file.read(1))) <= {1.0, 359.0}
    with rasterio.open(tmp_path / "a.tif") as file:
        assert file.units == ("degrees",)


def test_raster_of_shades_has_means_in_overviews(tmp_path):
    values = np.tile(np.array([[10, 20], [30, 40]], np.uint8), (300, 300))
    write_grid(Grid("shade", values, window(600, 600), "shades", ""), tmp_path / "a.tif", METRIC)
    with rasterio.open(tmp_path / "a.tif", overview_level=0) as file:
        assert (file.read(1) == 25).all()
