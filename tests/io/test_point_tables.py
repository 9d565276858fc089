"""Surveyed points in every habit that is met."""

import pytest

from cloudprep.errors import BadInputError, UsageError
from cloudprep.io.point_table import read_point_table

ROWS = [("CP1", 412100.25, 5654200.5, 101.125), ("CP2", 412300.0, 5654100.75, 99.5)]


def written(tmp_path, text, encoding="utf-8"):
    path = tmp_path / "points.csv"
    path.write_bytes(text.encode(encoding))
    return path


def values(table):
    return [(p.name, p.easting, p.northing, p.height) for p in table.points]


HABITS = {
    "commas": "name,easting,northing,height|CP1,412100.25,5654200.5,101.125|CP2,412300,5654100.75,99.5|",
    "semicolons": "Name;X;Y;Z|CP1;412100.25;5654200.5;101.125|CP2;412300;5654100.75;99.5|",
    "decimal commas": "Punkt;Rechtswert;Hochwert;Höhe|CP1;412100,25;5654200,5;101,125|CP2;412300;5654100,75;99,5",  # noqa: E501
    "quoted commas": 'id,E,N,H|CP1,"412100,25","5654200,5","101,125"|CP2,412300,"5654100,75","99,5"|',
    "northing first": "pt\tN\tE\tElev|CP1\t5654200.5\t412100.25\t101.125|CP2\t5654100.75\t412300\t99.5|",
    "spaces": "id   east  north   z|CP1  412100.25 5654200.5  101.125|CP2  412300    5654100.75 99.5|",
    "units": "No.,Easting (m),Northing [m],Elevation_m|CP1,412100.25,5654200.5,101.125|CP2,412300,5654100.75,99.5",  # noqa: E501
    "comments": "# of May||id,e,n,z||CP1,412100.25,5654200.5,101.125|# 2|CP2,412300,5654100.75,99.5||",
    "thousands": "id;E;N;H|CP1;412'100.25;5'654'200.5;101.125|CP2;412'300;5'654'100.75;99.5|",
    "trailing separators": "id;E;N;H;|CP1;412100.25;5654200.5;101.125;|CP2;412300;5654100.75;99.5;|",
    "exponents": "id,e,n,z|CP1,4.1210025e5,5.6542005e6,1.01125e2|CP2,4.123e5,5.65410075e6,99.5|",
}  # fmt: skip


@pytest.mark.parametrize("habit", HABITS)
@pytest.mark.parametrize(
    ("encoding", "end"), [("utf-8", "\n"), ("utf-8-sig", "\r\n"), ("utf-16", "\r\n"), ("cp1252", "\r")]
)
def test_point_table_habits(tmp_path, habit, encoding, end):
    path = written(tmp_path, HABITS[habit].replace("|", end), encoding)
    assert values(read_point_table(path)) == ROWS


def test_point_table_without_heading_is_told(tmp_path):
    path = written(tmp_path, "CP1 5654200.5 412100.25 101.125\nCP2 5654100.75 412300 99.5\n")
    told = ["name", "northing", "easting", "height"]
    assert values(read_point_table(path, told)) == ROWS
    with pytest.raises(BadInputError, match="--columns"):
        read_point_table(path)


def test_point_table_other_columns_are_kept(tmp_path):
    path = written(tmp_path, "id,e,n,z,Cover\nCP1,1,2,3,tall grass\n")
    assert read_point_table(path).points[0].more == {"Cover": "tall grass"}


def test_point_table_bad_lines_are_told_not_dropped(tmp_path):
    text = "id,e,n,z\nA,1,2,3\nB,1,x,3\nC,1\nD,1,2,\nE,1,2,nan\nF,1,2,inf\nG,4,5,6\n"
    table = read_point_table(written(tmp_path, text))
    assert [p.name for p in table.points] == ["A", "G"]
    assert [line for line, _ in table.skipped] == [3, 4, 5, 6, 7]
    assert table.skipped[0][1] == "its northing 'x' is no number"


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "no points"),
        ("# nothing\n", "no points"),
        ("id,e,n,z\n", "only a heading"),
        ("id,e,n\nA,1,2\n", "height"),
        ("id,e,east,n,z\nA,1,1,2,3\n", "more than one column for the easting"),
        ("id,e,n,z\nA,a,b,c\n", "line 2"),
    ],
)
def test_point_table_files_that_say_too_little(tmp_path, text, words):
    with pytest.raises(BadInputError, match=words):
        read_point_table(written(tmp_path, text))


def test_point_table_refuses_what_is_no_text(tmp_path):
    path = tmp_path / "points.csv"
    path.write_bytes(bytes(range(256)) * 4)
    with pytest.raises(BadInputError, match="no text"):
        read_point_table(path)
    with pytest.raises(BadInputError, match="can't be read"):
        read_point_table(tmp_path / "none.csv")


@pytest.mark.parametrize("columns", [["easting", "northing"], ["easting", "easting", "northing", "height"]])
def test_point_table_columns_that_make_no_sense(tmp_path, columns):
    with pytest.raises(UsageError, match="--columns"):
        read_point_table(written(tmp_path, "1 2 3\n"), columns)
