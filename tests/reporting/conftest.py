"""Puts the helpers of these tests where they can be imported."""

import sys
from pathlib import Path

sys.path.append(str(Path(__file__).parent))
