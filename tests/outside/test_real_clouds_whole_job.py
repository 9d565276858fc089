"""The whole job on real clouds that nobody of this project made.

Source: the test data of laspy's source distribution on the package index (BSD-2-Clause); what is in each file
was read from its own header and classes. Ground is scored where the file carries its producer's ground classes.
"""

import json

import laspy
import numpy as np
import pytest
import rasterio

from cloudprep.config import load_pipeline
from cloudprep.engine.progress import Silent
from cloudprep.engine.run import RunRequest, run_site
from cloudprep.kernels.agreement import confusion

pytestmark = pytest.mark.network

# name -> may it fail, and what the reason must then say
REFUSED = {
    "simple1_4.las": "degrees",
}
# name -> bars on (Type I, Type II) in percent against the delivered ground class. A wrong unit, a wrong class
# or a filter that takes all or nothing misses them by far; a better filter only moves away from them.
SCORED = {
    "autzen_trim.laz": (15.0, 15.0),
    "file_with_both_wkt_and_geotiff_vlrs.las": (15.0, 15.0),
    "append-bug.laz": (15.0, 15.0),
}


def run_on(path, out):
    request = RunRequest(load_pipeline("bare_earth"), (str(path),), out)
    return run_site(request, Silent())


def bare(path):
    """Return the raw records without class and flags, for comparison bit for bit."""
    cloud = laspy.read(path)
    records = cloud.points.array.copy()
    for name in ("raw_classification", "classification", "classification_flags"):
        if name in records.dtype.names:
            records[name] = 0
    return records


def test_every_real_cloud_runs_through_or_is_refused_in_one_line(real_clouds, tmp_path):
    seen = 0
    for name, path in real_clouds.items():
        out = tmp_path / name.replace(".", "_")
        outcome = run_on(path, out)
        record = json.loads((out / "run.json").read_text())
        if outcome.exit_code == 0:
            delivered = out / record["outputs"][0]["path"]
            assert np.array_equal(bare(path), bare(delivered)), f"{name}: more than labels changed"
            assert (out / "terrain" / "dtm.tif").exists()
            seen += 1
            assert name not in REFUSED
        else:
            reason = record["inputs"][0]["reason"]
            assert name in REFUSED or "format: las" in reason, f"{name}: {reason}"
            assert "\n" not in reason
            assert REFUSED.get(name, "") in reason
    assert seen >= 15


@pytest.mark.parametrize("name", SCORED)
def test_ground_agrees_with_the_delivered_classes(real_clouds, tmp_path, name):
    path = real_clouds[name]
    outcome = run_on(path, tmp_path / "out")
    assert outcome.exit_code == 0
    record = outcome.record
    delivered = laspy.read(tmp_path / "out" / record["outputs"][0]["path"])
    reference = laspy.read(path)
    score = confusion(np.asarray(delivered.classification) == 2, np.asarray(reference.classification) == 2)
    bar_i, bar_ii = SCORED[name]
    print(name, score)
    assert 100 * score.type_1 <= bar_i
    assert 100 * score.type_2 <= bar_ii


def test_feet_are_read_as_feet(real_clouds, tmp_path):
    """The 110,000-point cloud is in feet: its spacing in metres follows from its own header by hand."""
    path = real_clouds["autzen_trim.laz"]
    outcome = run_on(path, tmp_path / "out")
    site = outcome.record["site"]
    assert site["horizontal_unit_m"] == pytest.approx(0.3048)
    with laspy.open(path) as cloud:
        area = np.prod((cloud.header.maxs - cloud.header.mins)[:2]) * 0.3048**2
        by_hand = np.sqrt(area / cloud.header.point_count)
    assert site["spacing_m"] == pytest.approx(by_hand, rel=0.15)
    with rasterio.open(tmp_path / "out/terrain/dtm.tif") as grid:
        heights = grid.read(1, masked=True)
        ground = laspy.read(path)
        z = np.asarray(ground.z)[np.asarray(ground.classification) == 2]
        assert z.min() - 3 <= heights.min() <= heights.max() <= z.max() + 3
