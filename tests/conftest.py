"""Fixtures for all tests."""

import sys
from pathlib import Path

# The tests run against the installed package, which holds the demo site as cloudprep.demo_clouds; in a
# checkout it stands at the top. Appended, not put in front: the installed cloudprep must win.
sys.path.append(str(Path(__file__).parents[1]))
