"""Ten thousand damaged files: each is used, or refused in one line; nothing hangs, and memory stays bounded.

Clouds are damaged here beside 800 others that `tests/io/test_las_fuzz_never_dies.py` damages where it hurts
(header, records, chunk table) and delivers again.
"""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

ROUNDS = {
    "cloud": 1600,
    "pipeline": 2000,
    "points": 2400,
    "landxml": 1400,
    "kml": 500,
    "geojson": 600,
    "geopackage": 400,
    "drawing": 300,
    "raster": 600,
}
PATIENCE_SECONDS = 300
# The largest limit that a reader of small files may come near: what one of its pieces takes.
GROWTH = 300_000_000


def test_they_are_ten_thousand():
    assert sum(ROUNDS.values()) + 800 >= 10_000


@pytest.mark.parametrize("kind", ROUNDS)
def test_damaged_files_are_used_or_refused(originals, kind):
    if kind == "drawing":
        pytest.importorskip("ezdxf")
    folder = originals(kind)
    done = subprocess.run(
        [
            sys.executable,
            "-W",
            "error",
            Path(__file__).parent / "child.py",
            folder,
            kind,
            "1",
            str(ROUNDS[kind]),
        ],
        capture_output=True,
        text=True,
        timeout=PATIENCE_SECONDS,
        check=False,
    )
    assert done.returncode == 0, f"exit code {done.returncode}: {done.stdout[-3000:]} {done.stderr[-3000:]}"
    found = json.loads(done.stdout.splitlines()[-1])
    assert found["used"] + found["refused"] == ROUNDS[kind]
    # The damage is neither all harmless nor all fatal.
    assert min(found["used"], found["refused"]) > ROUNDS[kind] // 100, found
    assert found["grown"] < GROWTH, found
