"""Small clouds on disk for runs."""

import contextlib
import json
import logging

import laspy
import numpy as np
import pytest
from pyproj import CRS

from cloudprep.config import load_pipeline
from cloudprep.engine.progress import Silent
from cloudprep.engine.run import RunRequest, run_site
from cloudprep.testing import example_cloud

FOOT = 0.3048


class CloudMaker:
    """Writes made-up flights: `example_cloud` cut, moved, rescaled."""

    def __init__(self, folder):
        self.folder = folder

    def columns(self, **kwargs):
        return example_cloud(**kwargs)

    def write(
        self,
        name="flight.laz",
        columns=None,
        *,
        point_format=6,
        version="1.4",
        epsg=32632,
        scale=0.001,
        unit=1.0,
        east=412_000.0,
        north=5_654_000.0,
        rows=slice(None),
    ):
        columns = {n: v[rows] for n, v in (columns or example_cloud()).items()}
        header = laspy.LasHeader(point_format=point_format, version=version)
        header.scales = np.full(3, scale) if np.isscalar(scale) else np.asarray(scale)
        if min(header.scales) < 1e-6:
            header.offsets = [
                np.floor(columns[a].mean()) + o for a, o in zip("xyz", (east, north, 0), strict=True)
            ]
        else:
            header.offsets = np.array([east / unit, north / unit, 0.0])
        if epsg is not None:
            header.add_crs(CRS.from_user_input(epsg), keep_compatibility=point_format < 6)
        cloud = laspy.LasData(header)
        cloud.x = (columns["x"] + east) / unit
        cloud.y = (columns["y"] + north) / unit
        cloud.z = columns["z"] / unit
        for column in (
            "return_number",
            "number_of_returns",
            "classification",
            "intensity",
            "point_source_id",
        ):
            setattr(cloud, column, columns[column])
        path = self.folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        cloud.write(path)
        return path


@pytest.fixture
def clouds(tmp_path):
    return CloudMaker(tmp_path / "flights")


@pytest.fixture
def pipeline_file(tmp_path):
    """Write a pipeline and return its path; by default the main job with a coarse grid."""

    def write(text=None):
        path = tmp_path / "pipeline.yaml"
        default = """
cloudprep: 1
stages:
  - stage: isolated_clusters
  - stage: statistical_outliers
  - stage: low_points
  - stage: progressive_ground
  - stage: terrain_grid
    cell: 1.0
"""
        path.write_text(text or default, encoding="utf-8")
        return path

    return write


@pytest.fixture
def run(tmp_path, pipeline_file):
    """Run a pipeline on inputs; returns outcome and folder."""

    def go(*inputs, pipeline=None, out="out", sink=None, **options):
        request = RunRequest(
            pipeline=load_pipeline(pipeline if pipeline is not None else pipeline_file()),
            inputs=tuple(str(i) for i in inputs),
            out=tmp_path / out,
            **options,
        )
        return run_site(request, sink or Silent()), tmp_path / out

    return go


@pytest.fixture
def labels_of():
    """Return the classes of a cloud in file order."""

    def read(path):
        return np.asarray(laspy.read(path).classification)

    return read


@pytest.fixture
def record_of():
    """Return the run record of a folder."""
    return lambda folder: json.loads((folder / "run.json").read_text(encoding="utf-8"))


@pytest.fixture
def cluster():
    """Start a dask scheduler with workers that are threads of this process; returns its address."""
    distributed = pytest.importorskip("distributed")
    with contextlib.ExitStack() as stack:

        def start(workers=2, threads=1):
            made = distributed.LocalCluster(
                n_workers=workers,
                threads_per_worker=threads,
                processes=False,
                dashboard_address="127.0.0.1:0",
                scheduler_kwargs={"dashboard": False},
                silence_logs=logging.CRITICAL,
            )
            return stack.enter_context(made).scheduler_address

        yield start


@pytest.fixture
def told(record_of):
    """Return what a run's record says whatever the engine: checksums too, but no times and no memory."""

    def read(folder):
        record = record_of(folder)
        stages = [{k: v for k, v in stage.items() if k != "seconds"} for stage in record["stages"]]
        # The report tells when the run was.
        outputs = [o for o in record["outputs"] if o["kind"] != "report"]
        return {"stages": stages, "outputs": outputs} | {
            name: record[name] for name in ("figures", "warnings", "extra_dimensions", "site")
        }

    return read
