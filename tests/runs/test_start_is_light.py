"""The process that supervises a batch leaves heavy libraries to its worker: a look through is quick."""

import subprocess
import sys


def test_a_batch_loads_no_library_of_grids_or_kernels_by_itself():
    code = (
        "import sys; import cloudprep.cli.batch, cloudprep.runs.batch; "
        "print(*sorted({m.partition('.')[0] for m in sys.modules}))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert not {"numpy", "scipy", "numba", "rasterio", "laspy", "shapely", "pyproj"} & set(
        done.stdout.split()
    )
