"""Kill tests, each file in a process of its own.

They start the command as copies of their own process. A copy has none of the threads that other tests of the
same process left in libraries (of compressors, say), and would wait for them for ever.
"""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

PATIENCE_SECONDS = 1800
TESTS = Path(__file__).parents[1]


@pytest.mark.slow
@pytest.mark.parametrize(
    "name", ["faults/killed_batches.py", "faults/killed_watches.py", "runs/killed_stand_ins.py"]
)
def test_what_was_killed_comes_to_the_same(name: str) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", "-p", "no:xdist", TESTS / name],
        cwd=TESTS.parent,
        capture_output=True,
        text=True,
        check=False,
        timeout=PATIENCE_SECONDS,
    )
    assert done.returncode == 0, done.stdout[-6000:] + done.stderr[-2000:]
    assert " passed" in done.stdout
