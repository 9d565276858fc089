"""Workers of a cluster give what threads give, to the bit, and leave nothing behind."""

from pathlib import Path

import pytest

from cloudprep.engine import on_worker

BLOCK = 300


def open_files_below(folder):
    there = [link for link in Path("/proc/self/fd").iterdir() if link.is_symlink()]
    return [link for link in there if str(link.readlink()).startswith(f"{folder}/")]


@pytest.mark.parametrize(("workers", "threads"), [(1, 1), (3, 2)])
def test_clouds_rasters_and_figures_are_those_of_threads(
    clouds, run, record_of, told, cluster, workers, threads
):
    flights = [clouds.write("a.laz", rows=slice(0, 2000)), clouds.write("b.laz", rows=slice(2000, None))]
    _, plain = run(*flights, out="plain", workers=2)
    done, out = run(
        *flights, out="out", engine="dask", scheduler=cluster(workers, threads), block_points=BLOCK
    )
    assert done.exit_code == 0
    assert told(out) == told(plain)  # checksums of all outputs are among it
    record = record_of(out)
    assert {o["kind"] for o in record["outputs"]} == {"cloud", "raster", "picture", "report"}
    assert (record["engine"], record["workers"]) == ("dask", workers * threads)


def test_nothing_is_left_in_the_scratch_folder_or_open(clouds, run, cluster, tmp_path):
    scratch = tmp_path / "shared"
    run(clouds.write(), engine="dask", scheduler=cluster(), block_points=BLOCK, scratch=scratch)
    assert list(scratch.iterdir()) == []
    assert on_worker._held == {}
    assert open_files_below(tmp_path) == []


def test_a_relative_scratch_folder_is_found_by_workers(clouds, run, cluster, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    done, _ = run(clouds.write(), engine="dask", scheduler=cluster(), scratch=Path("here"))
    assert done.exit_code == 0
