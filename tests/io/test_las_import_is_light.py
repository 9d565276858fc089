"""Importing the package's LAS room opens no projection database and loads no raster library."""

import subprocess
import sys


def test_heavy_libraries_wait_until_they_are_needed():
    code = "import sys, cloudprep.io.las; print(*{'pyproj', 'rasterio', 'laspy', 'numba'} & set(sys.modules))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.split() == []
