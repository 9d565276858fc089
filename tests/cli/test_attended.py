"""The process that looks after the one at work: signals, exit codes, and ends that nobody else could tell."""

from __future__ import annotations

import os
import signal
import struct
import subprocess
import sys
import time
from pathlib import Path

import laspy
import numpy as np
import pytest

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="processes are looked after on Linux only")

BEGIN = """
import os, signal, sys, time
from pathlib import Path
from cloudprep.cli.attended import attended
def ready():
    Path(sys.argv[1]).write_text(str(os.getpid()))
def work():
    signal.signal(signal.SIGTERM, signal.default_int_handler)
"""


def at_work(tmp_path, body):
    """Start a process that does what the body says; return it and the number of the one that does it."""
    told = tmp_path / "number"
    program = BEGIN + "".join(f"    {line}\n" for line in body.splitlines()) + "attended(work)\n"
    process = subprocess.Popen(
        [sys.executable, "-c", program, str(told)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )
    until = time.monotonic() + 30
    while not (told.exists() and told.read_text()):
        assert time.monotonic() < until
        time.sleep(0.01)
    return process, int(told.read_text())


WAITS = """
try:
    ready()
    time.sleep(30)
except KeyboardInterrupt:
    time.sleep(0.6)  # what a second interruption would cut off
    print("cleaned up", flush=True)
    sys.exit(130)
"""


@pytest.mark.parametrize("code", [0, 1, 3, 130])
def test_exit_codes_and_what_is_printed_come_through(tmp_path, code):
    process, number = at_work(tmp_path, f"ready()\nprint('done')\nsys.exit({code})")
    out, err = process.communicate(timeout=30)
    assert (process.returncode, out, err) == (code, "done\n", "")
    assert number != process.pid


@pytest.mark.parametrize("sign", [signal.SIGSEGV, signal.SIGABRT, signal.SIGBUS])
def test_a_library_that_fails_below_python_is_told_in_a_line(tmp_path, sign):
    process, _ = at_work(tmp_path, f"ready()\nos.kill(os.getpid(), {int(sign)})\ntime.sleep(30)")
    _, err = process.communicate(timeout=30)
    assert process.returncode == 1
    assert err.startswith(f"cloudprep: a library failed and took this program with it ({sign.name})")
    assert err.count("\n") == 1


def test_what_the_system_killed_is_told_in_a_line(tmp_path):
    process, number = at_work(tmp_path, "ready()\ntime.sleep(30)")
    os.kill(number, signal.SIGKILL)
    _, err = process.communicate(timeout=30)
    assert process.returncode == 1
    assert err.startswith("cloudprep: killed by the system, as it does where memory runs out")
    assert err.count("\n") == 1


@pytest.mark.parametrize("sign", [signal.SIGINT, signal.SIGTERM])
def test_a_request_to_stop_is_passed_on(tmp_path, sign):
    process, _ = at_work(tmp_path, WAITS)
    process.send_signal(sign)
    out, _ = process.communicate(timeout=30)
    assert (process.returncode, out) == (130, "cleaned up\n")


def test_a_request_to_a_whole_group_interrupts_once(tmp_path):
    process, _ = at_work(tmp_path, WAITS)
    os.killpg(process.pid, signal.SIGTERM)
    out, _ = process.communicate(timeout=30)
    assert (process.returncode, out) == (130, "cleaned up\n")


def test_it_stops_and_goes_on_with_the_one_that_looks_after_it(tmp_path):
    process, number = at_work(tmp_path, WAITS)
    process.send_signal(signal.SIGTSTP)
    until_state(process.pid, "T")
    until_state(number, "T")
    process.send_signal(signal.SIGCONT)
    until_state(number, "S")
    process.send_signal(signal.SIGINT)
    out, _ = process.communicate(timeout=30)
    assert (process.returncode, out) == (130, "cleaned up\n")


def test_a_signal_that_just_ends_ends_both_the_same_way(tmp_path):
    process, _ = at_work(tmp_path, "ready()\ntime.sleep(30)")
    process.send_signal(signal.SIGUSR1)
    _, err = process.communicate(timeout=30)
    assert (process.returncode, err) == (-signal.SIGUSR1, "")


def test_the_one_at_work_does_not_outlive_the_one_that_looks_after_it(tmp_path):
    process, number = at_work(tmp_path, "ready()\ntime.sleep(30)")
    process.kill()
    process.communicate(timeout=30)
    until_state(number, "ZX")


def until_state(number, wanted):
    """Wait until a process is in one of these states, proc(5); one that is no more counts as dead."""
    until = time.monotonic() + 20
    while state_of(number) not in wanted:
        assert time.monotonic() < until
        time.sleep(0.01)


def state_of(number):
    try:
        return Path(f"/proc/{number}/stat").read_text(encoding="ascii").rpartition(")")[2].split()[0]
    except FileNotFoundError:
        return "X"


def damaged(path):
    """Write a flight whose times are all ones where they are compressed: a decompressor's library breaks."""
    header = laspy.LasHeader(point_format=6, version="1.4")
    header.scales = np.full(3, 0.001)
    cloud = laspy.LasData(header)
    random = np.random.default_rng(1)
    cloud.x, cloud.y, cloud.z = random.uniform(0, 100, (3, 5000))
    cloud.gps_time = np.sort(random.uniform(0, 10, 5000))
    cloud.return_number[:] = cloud.number_of_returns[:] = 1
    cloud.write(path)
    content = bytearray(path.read_bytes())
    # LAS 1.4 R15: offset to the points at byte 96. Compressed: place of a chunk table, 8 bytes; first point
    # as it is, 30 bytes; the number of points; the sizes of 9 layers, the last of which are the times.
    first = struct.unpack_from("<I", content, 96)[0] + 8 + 30 + 4
    sizes = struct.unpack_from("<9I", content, first)
    times = first + 36 + sum(sizes[:8])
    content[times : times + sizes[8]] = b"\xff" * sizes[8]
    path.write_bytes(content)


@pytest.mark.parametrize("command", [["inspect"], ["run", "bare_earth", "--out", "out"]])
def test_a_flight_that_breaks_a_library_is_no_silent_end(tmp_path, command):
    damaged(tmp_path / "flight.laz")
    done = subprocess.run(
        [sys.executable, "-m", "cloudprep", command[0], *command[1:2], "flight.laz", *command[2:]],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        check=False,
        timeout=120,
    )
    # 1 also with a library that finds the damage: what counts is that somebody says so.
    assert done.returncode == 1
    assert done.stderr.startswith("cloudprep: ")
    assert "Traceback" not in done.stderr
    assert not list(tmp_path.glob("out/**/*.la[sz]"))
