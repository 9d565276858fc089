"""Reading and delivering take as much memory for a large flight as for a small one."""

import subprocess
import sys
import textwrap
from pathlib import Path

import numpy as np
import pytest

SMALL, LARGE = 500_000, 4_000_000
RECORD_BYTES = 30
# Batches of half a million points are in memory at a time; a reader that held the large flight would need its
# 120 MB of records, where the small one has 15.
BAR_MEGABYTES = 60

CHILD = """
import sys
from pathlib import Path
import numpy as np
from cloudprep.io.las import WriteOptions, open_flight, read_columns, write_patched

def peak():
    # Of this program alone: the usual figure (ru_maxrss) begins with the parent's size.
    (line,) = [line for line in open("/proc/self/status") if line.startswith("VmHWM")]
    return int(line.split()[1])

flight = open_flight(Path(sys.argv[1]))
labels = {n: np.full(flight.count, 2, np.uint8) for n in ("classification", "ground_confidence")}
start = peak()
for piece in read_columns(flight, ("X", "Y", "Z", "classification", "gps_time"), 500_000):
    pass
write_patched(flight, Path(sys.argv[1]).with_name("out"), labels, WriteOptions(sys.argv[2]))
print((peak() - start) // 1024)
"""


def flight_of(las, name, count, *, compress):
    """Write a flight whose points compress about as well as real ones do."""
    rng = np.random.default_rng(1)
    records = np.zeros((count, RECORD_BYTES), np.uint8)
    row = np.arange(count)
    steps = np.stack([row % 2000 * 50, row // 2000 * 50, 500 + row % 777], axis=1)
    steps = (steps + rng.integers(-20, 21, (count, 3))).astype("<i4")
    records[:, :12] = steps.view(np.uint8).reshape(count, 12)
    records[:, 14] = 0x11
    return las.file(name, point_format=6, minor=4, records=records, compress=compress)


@pytest.mark.slow
@pytest.mark.skipif(not Path("/proc/self/status").exists(), reason="the system doesn't tell peak memory")
@pytest.mark.parametrize("kind", ["laz", "las"])
def test_peak_memory_is_that_of_a_small_flight(las, kind):
    grown = {}
    for count in (SMALL, LARGE):
        path = flight_of(las, f"{count}.{kind}", count, compress=kind == "laz")
        done = subprocess.run(
            [sys.executable, "-c", textwrap.dedent(CHILD), str(path), kind],
            capture_output=True,
            text=True,
            check=True,
        )
        grown[count] = int(done.stdout)
    print(kind, grown)
    assert grown[SMALL] > 0
    assert grown[LARGE] - grown[SMALL] < BAR_MEGABYTES
