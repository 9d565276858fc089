"""Files appear whole or not at all."""

import errno

import pytest

from cloudprep.errors import OutputError
from cloudprep.io.atomic import remove_leftovers, sha256_of, whole_file


def test_a_finished_file_replaces_the_old_one(tmp_path):
    target = tmp_path / "a b.tif"
    target.write_text("old")
    with whole_file(target) as part:
        assert part.parent == tmp_path
        assert part.suffix == ".tif"
        part.write_text("new")
        assert target.read_text() == "old"
    assert target.read_text() == "new"
    assert [p.name for p in tmp_path.iterdir()] == ["a b.tif"]


@pytest.mark.parametrize("error", [ValueError("x"), KeyboardInterrupt()])
def test_a_failure_leaves_the_old_file_and_no_part(tmp_path, error):
    target = tmp_path / "a.tif"
    target.write_text("old")
    with pytest.raises(type(error)), whole_file(target) as part:
        part.write_text("half")
        raise error
    assert target.read_text() == "old"
    assert [p.name for p in tmp_path.iterdir()] == ["a.tif"]


def test_a_full_disk_is_said_in_words(tmp_path):
    with (
        pytest.raises(OutputError, match=r"a\.tif: can't be written: the disk is full"),
        whole_file(tmp_path / "a.tif"),
    ):
        raise OSError(errno.ENOSPC, "No space left on device")
    assert list(tmp_path.iterdir()) == []


def test_a_very_long_name_still_gets_a_part(tmp_path):
    target = tmp_path / ("n" * 250 + ".laz")
    with whole_file(target) as part:
        part.write_text("x")
    assert target.exists()


def test_leftovers_of_a_killed_run_are_removed(tmp_path):
    (tmp_path / ".part-12ab-dtm.tif").write_text("half")
    (tmp_path / "dtm.tif").write_text("whole")
    assert remove_leftovers(tmp_path) == 1
    assert [p.name for p in tmp_path.iterdir()] == ["dtm.tif"]


def test_the_checksum_is_sha256(tmp_path):
    path = tmp_path / "abc"
    path.write_bytes(b"abc")
    # FIPS 180-2, appendix B.1.
    assert sha256_of(path) == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
