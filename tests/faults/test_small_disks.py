"""Real file systems that are too small or read-only, real users without rights (where they can be had)."""

from __future__ import annotations

import contextlib
import os
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

import pytest
from folders import checksums, contents, halves
from tiny_site import assert_same, one_line

NOBODY = 65534


@pytest.fixture
def disk(tmp_path):
    """Mount small file systems in memory, where the system lets us."""
    folder = tmp_path / "disk"
    folder.mkdir()
    mounted = []

    def mount(size, *more):
        while mounted:
            subprocess.run(["umount", str(mounted.pop())], check=True)
        options = ",".join([f"size={size}", *more])
        done = subprocess.run(
            ["mount", "-t", "tmpfs", "-o", options, "none", str(folder)], check=False, capture_output=True
        )
        if done.returncode:
            pytest.skip("file systems can't be mounted here")
        mounted.append(folder)
        return folder

    if shutil.which("mount") is None or os.geteuid() != 0:
        pytest.skip("file systems can't be mounted here")
    yield mount
    for one in mounted:
        subprocess.run(["umount", str(one)], check=True)


@pytest.mark.slow
def test_a_disk_that_fills_up_leaves_whole_files_and_one_line(site, disk):
    finished = []
    for size in range(4096, 81_920, 4096):
        out = disk(size) / "out"
        result = site.run(out=out)
        line = one_line(result)
        site.check_whole(out)
        site.check_inputs()
        assert halves(out) == []
        if result.exit_code == 0:
            finished.append(size)
            # The size of a cloud's folder is not a matter of the run: its name in the record is.
            assert set(contents(out)) == set(site.wanted())
            continue
        assert result.exit_code == 1
        assert "the disk is full" in line
        assert not (out / "run.json").exists() or "FAILED" in result.stderr
    assert len(finished) > 2
    assert min(finished) > 12_288


SCRATCH = """
import functools, sys, types
import cloudprep.engine.run as run, cloudprep.engine.scratch as scratch
# As on a disk that others fill meanwhile: there was room when the run began.
scratch.shutil.disk_usage = lambda path: types.SimpleNamespace(free=10**12)
run.RunRequest = functools.partial(run.RunRequest, block_points=150)
from cloudprep.cli.main import entry
sys.argv = ["cloudprep", *sys.argv[1:]]
entry()
"""


@pytest.mark.slow
def test_scratch_that_fills_up_is_one_line_and_leaves_nothing(site, disk):
    codes = []
    for size in (4096, 20_480, 32_768, 49_152, 65_536, 400_000):
        scratch = disk(size)
        site.fresh()
        words = ["run", site.folder / "pipeline.yaml", site.flights, "--out", site.out]
        done = subprocess.run(
            [sys.executable, "-c", SCRATCH, *map(str, words), "--workers", "1", "--scratch", str(scratch)],
            capture_output=True,
            text=True,
            check=False,
            timeout=300,
        )
        codes.append(done.returncode)
        assert list(scratch.iterdir()) == []
        site.check_inputs()
        assert halves(site.out) == []
        if done.returncode == 0:
            assert_same(contents(site.out), site.wanted())
            continue
        assert done.returncode in (1, 2)
        assert "Traceback" not in done.stderr
        assert "the disk is full" in done.stderr.splitlines()[-1]
        site.check_whole()
        assert not (site.out / "run.json").exists()
    assert codes[-1] == 0
    assert codes.count(1) >= 3


def test_a_read_only_file_system_is_one_line_and_stays_as_it_is(site, disk):
    folder = disk("1m")
    shutil.copytree(site.reference, folder / "finished")
    before = checksums(folder)
    subprocess.run(["mount", "-o", "remount,ro", str(folder)], check=True)
    for out, more in ((folder / "finished", ["--overwrite"]), (folder / "new", [])):
        result = site.run(*more, out=out)
        assert result.exit_code == 2
        assert "the file system is read-only" in one_line(result)
        assert result.stderr.count("\n") == 1
    assert checksums(folder) == before


@pytest.fixture
def nobody(site):
    """Give a folder that others may look into, and a context in which this process has no rights there."""
    if os.geteuid() != 0:
        pytest.skip("only root can become somebody else")

    @contextlib.contextmanager
    def without_rights():
        groups = os.getgroups()
        os.setgroups([])
        os.seteuid(NOBODY)
        try:
            yield
        finally:
            os.seteuid(0)
            os.setgroups(groups)

    # Folders of tests are closed to others.
    with tempfile.TemporaryDirectory() as made:
        folder = Path(made)
        folder.chmod(0o755)
        shutil.copytree(site.flights, folder / "flights")
        shutil.copy(site.folder / "pipeline.yaml", folder)
        shutil.copytree(site.reference, folder / "finished")
        (folder / "open").mkdir()
        (folder / "open").chmod(0o777)
        yield folder, without_rights


def test_without_rights_it_is_one_line_and_nothing_changes(site, nobody):
    folder, without_rights = nobody
    given = {"pipeline": folder / "pipeline.yaml", "flights": folder / "flights"}
    before = checksums(folder)
    for out, more in (("new", []), ("finished", ["--overwrite"])):
        with without_rights():
            result = site.run(*more, out=folder / out, **given)
        assert (result.exit_code, result.stderr.count("\n")) == (2, 1), result.stderr
        assert "no permission to write there" in one_line(result)
    assert checksums(folder) == before
    assert not (folder / "new").exists()


def test_inputs_that_may_not_be_read_fail_in_one_line_each(site, nobody):
    folder, without_rights = nobody
    given = {"pipeline": folder / "pipeline.yaml", "flights": folder / "flights"}
    for path in given["flights"].iterdir():
        path.chmod(0)
    with without_rights():
        result = site.run(out=folder / "open" / "out", **given)
    one_line(result)
    assert result.exit_code == 1
    assert result.stderr.count("can't be read: no permission to read it") == 2
    assert not list((folder / "open").rglob("*.la?"))
