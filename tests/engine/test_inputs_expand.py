"""Inputs: files, folders, globs; names of deliverables."""

from pathlib import Path

import pytest

from cloudprep.engine.inputs import deliverable_names, expand_inputs
from cloudprep.errors import UsageError


@pytest.fixture
def folder(tmp_path):
    for name in ("a.las", "B.LAZ", "sub/c d.Laz", "sub/höhe.las", "notes.txt", "out/clouds/a.laz"):
        path = tmp_path / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(b"")
    return tmp_path


def names(paths):
    return [p.name for p in paths]


def test_folders_are_walked_and_any_letter_case_is_taken(folder):
    found = expand_inputs([str(folder)], leave_out=folder / "out")
    assert sorted(names(found)) == ["B.LAZ", "a.las", "c d.Laz", "höhe.las"]


def test_a_named_file_is_taken_whatever_its_ending(folder):
    assert names(expand_inputs([str(folder / "notes.txt")])) == ["notes.txt"]


def test_globs_give_clouds_only(folder):
    assert sorted(names(expand_inputs([str(folder / "*")]))) == ["B.LAZ", "a.las"]
    assert "c d.Laz" in names(expand_inputs([str(folder / "**" / "*.[lL]*")]))


def test_a_file_named_twice_is_read_once(folder):
    assert names(expand_inputs([str(folder / "a.las"), str(folder / "sub" / ".." / "a.las")])) == ["a.las"]


def test_brackets_in_a_name_are_not_a_pattern_when_the_file_exists(tmp_path):
    odd = tmp_path / "north[1].laz"
    odd.write_bytes(b"")
    assert expand_inputs([str(odd)]) == [odd]


def test_every_input_that_names_nothing_is_reported(folder):
    with pytest.raises(UsageError) as error:
        expand_inputs([str(folder / "gone.las"), str(folder / "*.xyz"), str(folder / "a.las")])
    lines = str(error.value).splitlines()
    assert len(lines) == 2
    assert "gone.las: no such file or folder" in lines[0]
    assert "*.xyz: nothing matches" in lines[1]


def test_an_empty_folder_says_what_was_looked_for(tmp_path):
    with pytest.raises(UsageError, match=r"no \.las or \.laz file"):
        expand_inputs([str(tmp_path)])


def test_names_drop_one_ending_and_keep_the_rest():
    paths = [Path("x/north.copc.laz"), Path("x/south.v2.LAS"), Path("x/.copc.laz")]
    assert deliverable_names(paths) == ["north", "south.v2", ".copc"]


def test_flights_of_one_name_are_told_apart_by_their_folders():
    paths = [Path("/d/day1/flight.laz"), Path("/d/day2/FLIGHT.las"), Path("/d/other.laz")]
    assert deliverable_names(paths) == ["day1_flight", "day2_FLIGHT", "other"]


def test_flights_that_no_folder_tells_apart_are_refused():
    with pytest.raises(UsageError, match="same name"):
        deliverable_names([Path("/d/a.las"), Path("/d/a.laz")])


def test_deliverables_of_an_earlier_run_are_not_read_again_unless_named(folder):
    (folder / "out" / "run.json").write_text("{}")
    notes = []
    found = expand_inputs([str(folder)], note=notes.append)
    assert "a.laz" not in names(found)
    assert notes == [f"{folder / 'out'}: holds an earlier run; its clouds are left out"]
    assert names(expand_inputs([str(folder / "out" / "clouds")])) == ["a.laz"]
    assert names(expand_inputs([str(folder / "out")])) == ["a.laz"]


@pytest.mark.parametrize("host", ["", "localhost"])
def test_urls_of_files_of_this_machine_are_paths(folder, host):
    assert names(expand_inputs([f"file://{host}{folder}/sub/c%20d.Laz"])) == ["c d.Laz"]


def test_urls_of_other_machines_are_refused_as_they_were_typed():
    with pytest.raises(UsageError, match=r"file://elsewhere/a\.laz: no such file"):
        expand_inputs(["file://elsewhere/a.laz"])
