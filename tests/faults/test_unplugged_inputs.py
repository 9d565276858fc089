"""The disk of the inputs goes away, or they are cut off, at any moment: those flights fail, nothing else."""

from __future__ import annotations

import errno
import json
import os
import shutil

import pytest
from faulty_files import faulty_files, nothing
from folders import halves
from tiny_site import one_line

GONE = {
    errno.EIO: "the disk reports an error",
    errno.ENODEV: "the disk is no longer there",
    errno.ESTALE: "the connection to the network drive was lost",
}


@pytest.fixture(scope="module")
def alone(site):
    """Make runs of each flight alone: what is left where the other one fails before any work."""
    made = []
    for name in ("a", "b"):
        out = site.folder / f"only-{name}" / "out"
        result = site.run(out=out, flights=site.flights / f"{name}.laz")
        assert result.exit_code == 0, result.stderr
        made.append(out)
    return made


def gone_from(first, number):
    """Let every read of the inputs fail from one on."""

    def fault(operation):
        if operation.kind == "read" and operation.number >= first:
            return OSError(number, os.strerror(number))
        return None

    return fault


@pytest.mark.slow
@pytest.mark.parametrize("number", GONE, ids=errno.errorcode.get)
def test_a_disk_of_inputs_that_goes_away_at_any_read_fails_its_flights_only(site, alone, number):
    site.fresh()
    with faulty_files(site.flights, nothing) as watch:
        assert site.run().exit_code == 0
    assert {o.kind for o in watch.seen} == {"read"}
    statuses = set()
    for place in range(len(watch.seen)):
        site.fresh()
        with faulty_files(site.flights, gone_from(place, number)):
            result = site.run()
        one_line(result)
        assert result.exit_code == 1, place
        failures = [line for line in result.stderr.splitlines() if "FAILED" in line]
        record = json.loads((site.out / "run.json").read_text(encoding="utf-8"))
        failed = [i for i in record["inputs"] if i["status"] == "failed"]
        assert len(failures) == len(failed) >= 1
        told = {f"cloudprep: FAILED {i['path']}: can't be read: {GONE[number]}" for i in failed}
        assert set(failures) == told
        assert all(i["try_again"] for i in failed)
        statuses.add(record["status"])
        site.check_whole(None, *alone)
        site.check_inputs()
        assert halves(site.out) == []
        delivered = [o["path"] for o in record["outputs"] if o["kind"] == "cloud"]
        assert len(delivered) == 2 - len(failed)
    assert statuses == {"all_inputs_failed", "some_inputs_failed"}
    site.check_finishes("--resume")


@pytest.mark.parametrize("what", ["cut off", "gone", "another"])
@pytest.mark.parametrize("step", ["progressive_ground", "writing"])
def test_an_input_that_is_cut_off_meanwhile_is_not_delivered(site, alone, tmp_path, what, step, monkeypatch):
    from cloudprep.cli.progress import Lines

    flights = tmp_path / "flights"
    shutil.copytree(site.flights, flights)
    real = Lines.start

    def start(lines, name, total):
        if name == step:
            path = flights / "a.laz"
            if what == "gone":
                path.unlink()
            elif what == "cut off":
                os.truncate(path, 2000)
            else:
                os.utime(path, ns=(1, 1))
        real(lines, name, total)

    monkeypatch.setattr(Lines, "start", start)
    site.fresh()
    result = site.run(flights=flights)
    one_line(result)
    assert result.exit_code == 1
    assert result.stderr.count("FAILED") == 1
    assert "a.laz: " in result.stderr
    site.check_whole(None, *alone)
    assert [p.name for p in (site.out / "clouds").iterdir()] == ["b.laz"]
