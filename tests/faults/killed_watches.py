"""Watches with real runs that are killed deliver the same as one that nobody disturbed, once."""

from __future__ import annotations

import json
import os
import random
import shutil
import sqlite3
import subprocess
import time
from contextlib import closing

import pytest
from folders import checksums, contents
from killing import kill_all, kill_main
from tiny_site import WITH_REPORT, write_flight
from warm_start import PATIENCE, forked_command, load

# Twenty and more take some minutes: this variable.
KILLS = int(os.environ.get("CLOUDPREP_KILL_TESTS", "5"))
CAPTURES = {"a": 0, "b": 5_000, "c": 10_000}


@pytest.fixture(scope="module")
def place(tmp_path_factory):
    folder = tmp_path_factory.mktemp("watched")
    for number, (name, east) in enumerate(CAPTURES.items()):
        rows = slice(300 * number, 300 * number + 600)
        write_flight(folder / "inbox" / f"{name}.laz", rows, east=412_000.0 + east)
    (folder / "pipeline.yaml").write_text(WITH_REPORT, encoding="utf-8")
    load()
    return folder


def begin(place):
    words = ["inbox", "pipeline.yaml", "--out", "out", "--once", "--settle", "0", "--workers", "1"]
    return forked_command(place, ["watch", *words])


def told(place):
    return (place / "stderr.txt").read_text(encoding="utf-8")


def files(out):
    """Return the files of all runs and their map, byte by byte, times aside."""
    return {name: data for name, data in contents(out).items() if name != "watch.sqlite"}


@pytest.fixture(scope="module")
def whole(place):
    """What an undisturbed watch delivers, and how long it takes: once to compile, once to time."""
    assert begin(place).wait(PATIENCE) == 0, told(place)
    shutil.rmtree(place / "out")
    began = time.monotonic()
    assert begin(place).wait(PATIENCE) == 0, told(place)
    return files(place / "out"), time.monotonic() - began


def check(place, whole):
    found = files(place / "out")
    assert sorted(found) == sorted(whole)
    assert [name for name in whole if found[name] != whole[name]] == []
    with closing(sqlite3.connect(place / "out" / "watch.sqlite")) as base:
        rows = base.execute("SELECT place, state FROM captures").fetchall()
    assert sorted(rows) == [(f"{name}.laz", "delivered") for name in CAPTURES]
    left = {p.name for p in (place / "out").iterdir() if not p.is_dir()}
    assert left == {"ledger.gpkg", "watch.sqlite"}


@pytest.mark.slow
def test_killed_again_and_again_it_delivers_the_same_once(place, whole):
    delivered, seconds = whole
    assert {json.loads(data)["status"] for name, data in delivered.items() if "run.json" in name} == {"done"}
    inbox = checksums(place / "inbox")
    draw = random.Random(7)  # noqa: S311 - moments, not secrets
    kills = 0
    while kills < KILLS:
        shutil.rmtree(place / "out")
        while True:
            watching = begin(place)
            try:
                watching.wait(draw.uniform(0.0, 0.8) * seconds)
                break
            except subprocess.TimeoutExpired:
                # With its worker, as the end of a container does, or without: that must not go on alone.
                (kill_all if draw.random() < 0.5 else kill_main)(watching)
                kills += 1
        assert watching.wait() == 0, told(place)
        check(place, delivered)
    assert checksums(place / "inbox") == inbox
