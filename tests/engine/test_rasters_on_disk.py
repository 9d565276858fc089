"""Rasters in scratch files: the same bits as in memory, in bands or whole, and nothing stays."""

import itertools
import pickle

import numpy as np
import pytest
from rio_cogeo.cogeo import cog_validate

from cloudprep.config import load_pipeline
from cloudprep.engine import rasters as made_rasters
from cloudprep.engine.memory import plan_memory
from cloudprep.engine.progress import Silent
from cloudprep.engine.rasters import ArrayRasters, FiledRasters, bands_of
from cloudprep.engine.run import RunRequest, run_site
from cloudprep.engine.scratch import ColumnFiles
from cloudprep.engine.store import Block
from cloudprep.model.bounds import EVERYWHERE, Bounds
from cloudprep.model.grid import Canvas, Drawing, Lattice, Window
from cloudprep.model.site import SiteFacts

WINDOW = Window(Lattice(1.0), 10, 20, 7, 9)
CANVASES = (
    Canvas("heights", WINDOW, np.float64, np.nan, "heights"),
    Canvas("codes", WINDOW, np.uint8, 0, "codes", ""),
)


def drawing(column, row, columns, rows, seed=0):
    rng = np.random.default_rng(seed)
    arrays = (rng.random((rows, columns)), rng.integers(0, 5, (rows, columns), dtype=np.uint8))
    return Drawing(Window(WINDOW.lattice, column, row, columns, rows), arrays)


def test_rasters_in_files_hold_what_those_in_memory_hold(tmp_path):
    files = ColumnFiles(tmp_path)
    both = ArrayRasters(CANVASES), FiledRasters(CANVASES, files)
    # A block apart from the rim, whole lines, and one without cells; the rest stays empty.
    for one in (drawing(12, 21, 3, 2), drawing(10, 24, 7, 2), drawing(11, 28, 0, 1)):
        for rasters in both:
            rasters.put(one)
    inside, filed = (rasters.whole() for rasters in both)
    for name, values in inside.items():
        assert filed[name].dtype == values.dtype
        assert np.array_equal(filed[name], values, equal_nan=values.dtype.kind == "f")
    filed["codes"][0, 0] = 9  # stages may write to them
    assert filed["codes"][0, 0] == 9
    assert np.isnan(filed["heights"][0, 0])


def test_rasters_in_files_are_written_through_a_handle_that_was_pickled(tmp_path):
    rasters = FiledRasters(CANVASES, ColumnFiles(tmp_path))
    one = drawing(12, 21, 3, 2)
    pickle.loads(pickle.dumps(rasters)).put(one)  # noqa: S301
    assert np.array_equal(rasters.whole()["heights"][1:3, 2:5], one.arrays[0])


@pytest.mark.parametrize("bounds", [EVERYWHERE, Bounds(0.0, 100.0, 50.0, 300.0), Bounds(0, 900.0, 50, 1e9)])
def test_bands_partition_a_block_and_hold_few_cells(bounds, monkeypatch):
    monkeypatch.setattr(made_rasters, "DRAWN_CELLS", 500)
    site = SiteFacts(10, Bounds(0.0, 0.0, 50.0, 1000.0), 0.0, 1.0, 5.0, True)
    canvas = Canvas("heights", site.lattice(1.0).window(site.bounds), np.float64, np.nan, "heights")
    bands = bands_of(Block(0, bounds, 10), (canvas,), site)
    assert len(bands) > 3
    assert (bands[0].y0, bands[-1].y1) == (bounds.y0, bounds.y1)
    assert all(a.y1 == b.y0 for a, b in itertools.pairwise(bands))
    parts = [made_rasters.cells_of_block(canvas.window, band, site.bounds) for band in bands]
    whole = made_rasters.cells_of_block(canvas.window, bounds, site.bounds)
    assert sum(p.rows * p.columns for p in parts) == whole.rows * whole.columns
    assert max(p.rows * p.columns for p in parts) <= 550
    # Where points are dense the block stays whole.
    assert bands_of(Block(0, bounds, 10**6), (canvas,), site) == [bounds]


PIPELINE = """\
cloudprep: 1
stages:
  - stage: terrain_grid
    classes: [0, 1, 2, 3, 4, 5, 6]
    cell: 0.25
    fill: nearest
  - stage: slope
"""


@pytest.mark.parametrize("cells", [2_000_000, 700])
def test_runs_on_disk_deliver_the_bytes_of_runs_in_memory(clouds, tmp_path, monkeypatch, cells):
    monkeypatch.setattr(made_rasters, "DRAWN_CELLS", cells)
    source = clouds.write()
    pipeline = tmp_path / "pipeline.yaml"
    pipeline.write_text(PIPELINE)
    scratch = tmp_path / "scratch"
    found = {}
    for name, more in (("memory", {}), ("disk", {"block_points": 1500, "scratch": scratch})):
        out = tmp_path / name
        outcome = run_site(
            RunRequest(load_pipeline(str(pipeline)), (str(source),), out, workers=2, **more), Silent()
        )
        assert (outcome.record["scratch_bytes"] > 0) == (name == "disk")
        found[name] = {p.name: p.read_bytes() for p in (out / "terrain").iterdir()}
    assert sorted(found["disk"]) == ["dtm.tif", "dtm_hillshade.png", "dtm_slope.tif", "dtm_source.tif"]
    assert found["disk"] == found["memory"]
    assert cog_validate(tmp_path / "disk" / "terrain" / "dtm.tif", strict=True)[0]
    assert list(scratch.iterdir()) == []


def sparse_site(side):
    return SiteFacts(
        100_000, Bounds(0, 0, side, side), 0.0, 50.0, side / 316, True, columns=frozenset({"x", "y", "z"})
    )


def test_the_plan_counts_rasters_and_puts_large_ones_on_disk(tmp_path):
    path = tmp_path / "pipeline.yaml"
    path.write_text("cloudprep: 1\nstages:\n  - stage: terrain_grid\n    cell: 0.5\n")

    def planned(side):
        site = sparse_site(side)
        stages = [s.resolved(site) for s in load_pipeline(str(path)).build()]
        return plan_memory(stages, site, ("classification",), limit=600_000_000, workers=2)

    small, large = planned(500.0), planned(8000.0)
    assert not small.on_disk
    cells = 16_000**2
    assert large.on_disk
    assert large.expected < 600_000_000
    # Arrays of 8 + 1 bytes a cell, and float32 on the way to a file.
    assert 13 * cells < large.scratch < 17 * cells
