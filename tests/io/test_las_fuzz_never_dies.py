"""Mutated and cut files of all kinds: each is read and delivered, or refused in one line; the process lives.

All of it happens in one child process with little memory, since rotten LAZ files can end a process from
inside compiled code, where no ``except`` helps.
"""

import json
import subprocess
import sys
import textwrap

import pytest
from pyproj import CRS

MUTATIONS = 400
PATIENCE_SECONDS = 120

CHILD = """
import json, resource, sys, traceback
from pathlib import Path
import numpy as np
from cloudprep.errors import CloudprepError
from cloudprep.io.las import WriteOptions, open_flight, read_columns, write_patched

resource.setrlimit(resource.RLIMIT_AS, (3 << 30, 3 << 30))
folder, seed, rounds = Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3])
originals = [path.read_bytes() for path in sorted(folder.glob("original-*"))]
rng = np.random.default_rng(seed)

def mutated(data):
    data = bytearray(data)
    header = int.from_bytes(data[94:96], "little")
    points = int.from_bytes(data[96:100], "little")
    size = len(data)
    # Header, records, pointer to the chunk table, points, and the end with the chunk table.
    spans = [(0, header), (header, points), (points, points + 12), (points, size), (size - 80, size)]
    first, last = spans[rng.integers(len(spans))]
    last = min(max(last, first + 1), size)
    place = int(rng.integers(min(first, last - 1), last))
    length = int(rng.integers(1, 60))
    kind = rng.integers(7)
    if kind == 0:
        return data[: rng.integers(size)]
    if kind == 1:
        data[place] ^= 1 << int(rng.integers(8))
    elif kind == 2:
        data[place] = int(rng.integers(256))
    elif kind == 3:
        data[place : place + length] = rng.bytes(len(data[place : place + length]))
    elif kind == 4:
        short = min(length, 8)
        value = int(rng.choice([0, 1, 127, 128, 255]))
        data[place : place + short] = bytes([value]) * len(data[place : place + short])
    elif kind == 5:
        del data[place : place + length]
    else:
        data[place:place] = rng.bytes(length)
    return data

def use(path, number):
    flight = open_flight(path)
    rows = 0
    for piece in read_columns(flight, ("X", "Y", "Z", *flight.columns), 1000):
        rows += len(piece["X"])
    assert rows == flight.count
    labels = {"classification": np.full(rows, 7, np.uint8), "withheld": np.ones(rows, bool)}
    options = WriteOptions(("laz", "las")[number % 2], number % 5 == 0, ("keep", "1.4")[number % 3 == 0])
    written = write_patched(flight, folder / "written.laz", labels, options)
    again = open_flight(written.path)
    assert again.count == written.count == (0 if number % 5 == 0 else rows)
    for piece in read_columns(again, ("X", "classification")):
        assert (piece["classification"] == 7).all()

outcomes = {"fine": 0, "refused": 0}
for number in range(rounds):
    path = folder / ("mutated.laz" if number % 2 else "mutated.las")
    path.write_bytes(mutated(originals[rng.integers(len(originals))]))
    try:
        use(path, number)
        outcomes["fine"] += 1
    except CloudprepError as error:
        assert "\\n" not in str(error), str(error)
        outcomes["refused"] += 1
    except BaseException:
        print(json.dumps({"round": number, "error": traceback.format_exc()}))
        sys.exit(1)
    left = [p.name for p in folder.iterdir() if p.name.startswith(".part")]
    assert not left, left
print(json.dumps(outcomes))
"""


def originals(las):
    """Write small files of every point format: plain, compressed, with many chunks, and with a COPC index."""
    text = CRS.from_user_input("EPSG:25832+7837").to_wkt("WKT1_GDAL").encode() + b"\0"
    keys = las.vlr(
        "LASF_Projection",
        34735,
        las.geokeys(
            *((1024, 0, 1, 1), (1026, 34737, 4, 0), (3072, 0, 1, 32767), (3075, 0, 1, 8), (3076, 0, 1, 9003)),
            *((key, 34736, 1, n) for n, key in enumerate((3078, 3079, 3084, 3085, 3086, 3087))),
            *((4096, 0, 1, 5703), (4099, 0, 1, 9003)),
        ),
    )
    numbers = las.vlr("LASF_Projection", 34736, bytes(48))
    for point_format in range(11):
        minor = max(las.OLDEST_MINOR[point_format], (2, 4, 3)[point_format % 3])
        for kind, chunk_points in (("plain", None), ("laz", None), ("chunks", 20), ("copc", 0)):
            las.file(
                f"original-{point_format}-{kind}",
                point_format=point_format,
                minor=minor,
                encoding=16 if point_format > 5 else 0,
                records=las.random_records(point_format, 60, extra=point_format % 3),
                vlrs=[
                    *([las.vlr("copc", 1, bytes(160))] if kind == "copc" else []),
                    *([las.vlr("LASF_Projection", 2112, text)] if point_format % 2 else [keys, numbers]),
                ],
                evlrs=[las.evlr("made up", 3, b"behind" * 9)] if minor == 4 else [],
                padding=b"padding",
                user_header=b"own"[: point_format % 4],
                compress=kind != "plain",
                chunk_points=chunk_points,
            )


@pytest.mark.parametrize("seed", [1, 2])
def test_mutated_files_are_used_or_refused(las, seed):
    originals(las)
    done = subprocess.run(
        [
            sys.executable,
            "-W",
            "error",
            "-c",
            textwrap.dedent(CHILD),
            str(las.folder),
            str(seed),
            str(MUTATIONS),
        ],
        capture_output=True,
        text=True,
        timeout=PATIENCE_SECONDS,
        check=False,
    )
    assert done.returncode == 0, f"exit code {done.returncode}: {done.stdout[-3000:]} {done.stderr[-3000:]}"
    assert done.stderr == ""
    outcomes = json.loads(done.stdout)
    assert outcomes["fine"] + outcomes["refused"] == MUTATIONS
    # Both happen often: the mutations are neither all harmless nor all fatal.
    assert min(outcomes.values()) > MUTATIONS // 10
