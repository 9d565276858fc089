"""The run's folder: finished runs are refused, leftovers cleared, inputs never touched."""

import json

import pytest

from cloudprep.engine.folder import RunFolder
from cloudprep.errors import UsageError
from cloudprep.io.atomic import whole_file


def finish(root, outputs=(), status="done"):
    (root / "run.json").write_text(json.dumps({"status": status, "outputs": [{"path": p} for p in outputs]}))


def test_a_finished_run_is_refused_unless_it_may_be_replaced(tmp_path):
    finish(tmp_path)
    with pytest.raises(UsageError, match="--overwrite"):
        RunFolder(tmp_path).refuse_finished(overwrite=False)
    RunFolder(tmp_path).refuse_finished(overwrite=True)


@pytest.mark.parametrize("content", ["", "{", "[]", '{"other": 1}'])
def test_a_folder_without_a_finished_record_is_unfinished(tmp_path, content):
    (tmp_path / "run.json").write_text(content)
    RunFolder(tmp_path).refuse_finished(overwrite=False)


def test_a_run_in_which_every_input_failed_may_be_repeated(tmp_path):
    finish(tmp_path, status="all_inputs_failed")
    RunFolder(tmp_path).refuse_finished(overwrite=False)


def test_a_file_in_place_of_the_folder_is_refused(tmp_path):
    (tmp_path / "out").write_text("x")
    with pytest.raises(UsageError, match="is a file"):
        RunFolder(tmp_path / "out").refuse_finished(overwrite=True)


def test_preparing_removes_what_the_earlier_run_delivered_and_nothing_else(tmp_path):
    folder = RunFolder(tmp_path)
    folder.prepare([])
    for name in (
        "clouds/old.laz",
        "clouds/mine.laz",
        "terrain/dtm.tif",
        "terrain/.part-123-dtm.tif",
        "notes.txt",
    ):
        (tmp_path / name).write_text("x")
    finish(tmp_path, ["clouds/old.laz", "terrain/dtm.tif", "../elsewhere.laz", "notes.txt"])
    (tmp_path.parent / "elsewhere.laz").write_text("x")
    folder.prepare([])
    left = sorted(p.relative_to(tmp_path).as_posix() for p in tmp_path.rglob("*") if p.is_file())
    assert left == ["clouds/mine.laz", "notes.txt"]
    assert (tmp_path.parent / "elsewhere.laz").exists()


def test_preparing_keeps_an_input_that_an_earlier_run_made(tmp_path):
    folder = RunFolder(tmp_path)
    folder.prepare([])
    source = tmp_path / "clouds" / "flight.laz"
    source.write_text("x")
    finish(tmp_path, ["clouds/flight.laz"])
    folder.prepare([source])
    assert source.exists()


def test_a_run_never_writes_over_its_input(tmp_path):
    folder = RunFolder(tmp_path)
    source = tmp_path / "clouds" / "flight.laz"
    with pytest.raises(UsageError, match="inputs are never changed"):
        folder.refuse_inputs([source], [tmp_path / "clouds" / ".." / "clouds" / "flight.laz"])


def test_a_folder_that_cannot_be_made_is_one_line(tmp_path):
    (tmp_path / "file").write_text("x")
    with pytest.raises(UsageError, match="a part of the path is a file") as error:
        RunFolder(tmp_path / "file" / "out").prepare([])
    assert "\n" not in str(error.value)


@pytest.mark.parametrize("room", ["clouds", "terrain"])
def test_a_room_that_leads_elsewhere_is_refused_and_nothing_there_is_touched(tmp_path, room):
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    (elsewhere / "old.laz").write_text("x")
    root = tmp_path / "out"
    root.mkdir()
    (root / room).symlink_to(elsewhere)
    finish(root, [f"{room}/old.laz"])
    with pytest.raises(UsageError, match=r"is a link to .*elsewhere: nothing is written outside"):
        RunFolder(root).prepare([])
    assert [p.name for p in elsewhere.iterdir()] == ["old.laz"]


def test_a_folder_reached_by_a_link_is_fine(tmp_path):
    (tmp_path / "disk").mkdir()
    (tmp_path / "out").symlink_to(tmp_path / "disk")
    RunFolder(tmp_path / "out").prepare([])
    assert (tmp_path / "disk" / "clouds").is_dir()


def test_a_deliverable_that_is_a_link_is_replaced_and_not_followed(tmp_path):
    target = tmp_path / "precious"
    target.write_text("precious")
    link = tmp_path / "dtm.tif"
    link.symlink_to(target)
    with whole_file(link) as part:
        part.write_text("new")
    assert target.read_text() == "precious"
    assert not link.is_symlink()
    assert link.read_text() == "new"
