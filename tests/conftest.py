"""Fixtures for all tests."""

import os
import sys
from pathlib import Path

# Before NumPy is loaded: on a machine that others load too, threads of its linear algebra spend most of their
# time waiting for each other, and what tests solve is small.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

from hypothesis import settings

# The tests run against the installed package, which holds the demo site as cloudprep.demo_clouds; in a
# checkout it stands at the top. Appended, not put in front: the installed cloudprep must win.
sys.path.append(str(Path(__file__).parents[1]))

# No test is timed. The build server draws the same examples every time, so that it judges the change and not
# the luck of the draw; people explore.
settings.register_profile("project", deadline=None, derandomize=bool(os.environ.get("CI")))
settings.load_profile("project")
