"""Names of sites: readable, the same whatever the order, fit for folders, and never the same for two."""

import itertools
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cloudprep.runs.naming import common_stem, safe_name, site_names


def paths(*texts):
    return [Path("/data") / text for text in texts]


def named(*groups, **options):
    """Return the names, after holding them to be the same in any order of groups and flights."""
    whole = [paths(*group) for group in groups]
    found = site_names(whole, **options)
    for order in itertools.islice(itertools.permutations(range(len(whole))), 24):
        turned = site_names([whole[i][::-1] for i in order], **options)
        assert turned == [found[i] for i in order]
    return found


@pytest.mark.parametrize(
    ("stems", "common"),
    [
        (["quarry_north_01", "quarry_north_02"], "quarry_north"),
        (["flight1", "flight2", "flight10"], "flight"),
        (["412_5654", "412_5655"], "412"),
        (["ridge", "ridge-2"], "ridge"),
        (["alder", "alps"], ""),
        (["a1", "a2"], ""),
        (["Brücke West 1", "Brücke West 2"], "Brücke West"),
        (["one"], "one"),
        (["20261130_a", "20261201_b"], ""),
    ],
)
def test_what_names_have_in_common_ends_where_a_word_ends(stems, common):
    assert common_stem(stems) == common


def test_a_site_is_called_after_what_its_flights_share():
    assert named(["x/pit_1.laz", "x/pit_2.laz"], ["x/dam_1.las"]) == ["pit", "dam_1"]


def test_names_that_clash_tell_more():
    # In one folder: after the first flight.
    assert named(["pit_1.laz", "pit_2.laz"], ["pit_3.laz", "pit_10.laz"]) == ["pit_1", "pit_3"]
    # The same file names in different folders.
    assert named(["day1/a.laz"], ["day2/a.laz"]) == ["day1_a", "day2_a"]
    # Where the last folder is the same, too.
    assert named(["day1/raw/a.laz"], ["day2/raw/a.laz"]) == ["day1_raw_a", "day2_raw_a"]
    # Letter case doesn't tell folders apart everywhere.
    assert len({n.casefold() for n in named(["A/x.laz"], ["a/X.laz"])}) == 2
    # A site nobody clashes with keeps its plain name.
    assert named(["d1/a.laz"], ["d2/a.laz"], ["d3/ridge.laz"])[2] == "ridge"


def test_flights_with_nothing_in_common_are_called_after_the_first():
    assert named(["z.laz", "flight10.laz", "flight9.laz"]) == ["flight9"]


def test_folders_give_their_names_where_they_are_the_sites():
    groups = (["may/a.laz", "may/b.laz"], ["june/a.laz"])
    assert named(*groups, by_folder=True) == ["may", "june"]
    assert named(["n/may/a.laz"], ["s/may/b.laz"], by_folder=True) == ["a", "b"]


@pytest.mark.parametrize(
    ("text", "name"),
    [
        ("../../etc/passwd", "etc_passwd"),
        ("..", "site"),
        (".hidden", "hidden"),
        ("a/b\\c:d", "a_b_c_d"),
        ("batch.json", "batch_json"),
        ("nul", "nul_site"),
        ("a\x00b\nc", "a_b_c"),
        ("x" * 300, "x" * 60),
        ("  ", "site"),
        ("e\u0301", "\u00e9"),
        ("-rf", "rf"),
        ("\udcff", "site"),
    ],
)
def test_names_are_fit_for_folders(text, name):
    assert safe_name(text) == name


part = st.text(
    st.characters(blacklist_characters="/\x00", blacklist_categories=["Cs"]), min_size=1, max_size=8
)
relative = st.lists(part.filter(lambda t: t not in (".", "..")), min_size=1, max_size=4).map("/".join)


@given(st.lists(relative, min_size=1, max_size=12, unique=True), st.integers(1, 4), st.booleans())
def test_no_two_sites_share_a_name_and_none_leaves_its_folder(texts, per_group, by_folder):
    whole = paths(*(f"{t}.laz" for t in texts))
    groups = [whole[i : i + per_group] for i in range(0, len(whole), per_group)]
    names = site_names(groups, by_folder=by_folder)
    assert len({n.casefold() for n in names}) == len(groups)
    for name in names:
        assert name
        assert "." not in name
        assert "/" not in name
        assert len(name.encode()) <= 255
        assert (Path("/out") / name).parent == Path("/out")
    assert site_names(groups[::-1], by_folder=by_folder) == names[::-1]


def test_a_site_that_has_a_folder_keeps_its_name():
    earlier = {"a": {"/data/day1/a.laz": 7}}
    # Alone, the first was called "a"; another of that name comes in.
    assert site_names([paths("day1/a.laz"), paths("day2/a.laz")], earlier=earlier) == ["a", "day2_a"]
    # It keeps it where flights come in, too; of two parts the larger one does.
    assert site_names([paths("day1/a.laz", "day1/b.laz")], earlier=earlier) == ["a"]
    pit = {"pit": {f"/data/pit_{i}.laz": 7 for i in range(1, 4)}}
    assert site_names([paths("pit_1.laz"), paths("pit_2.laz", "pit_3.laz")], earlier=pit) == ["pit_1", "pit"]
    # Two that have become one: it has the name of the larger one.
    both = {"dam": {"/data/dam.laz": 7}, **pit}
    whole = paths("dam.laz", *(f"pit_{i}.laz" for i in range(1, 4)))
    assert site_names([whole], earlier=both) == ["pit"]


def test_the_folder_of_a_site_that_is_none_any_more_is_given_to_nobody():
    gone = {"ridge": {"/data/old/ridge.laz": 7}}
    assert site_names([paths("new/ridge.laz")], earlier=gone) == ["new_ridge"]
    assert site_names([paths("new/Ridge.laz")], earlier=gone) == ["new_Ridge"]
    # Files of the same names and sizes on a disk of another name are the same site.
    (flight,) = paths("new/ridge.laz")
    assert site_names([[flight]], earlier=gone, sizes={flight: 7}) == ["ridge"]
    assert site_names([[flight]], earlier=gone, sizes={flight: 8}) == ["new_ridge"]


@given(st.lists(relative, min_size=1, max_size=8, unique=True), st.lists(relative, max_size=6, unique=True))
def test_kept_names_never_clash_either(texts, before):
    groups = [paths(f"{t}.laz") for t in texts]
    earlier = {f"site{i}": {f"/data/{t}.laz": 7} for i, t in enumerate(before)}
    earlier |= {name: {"/elsewhere/x.laz": 7} for name in site_names(groups)[:2]}
    names = site_names(groups, earlier=earlier)
    assert len({n.casefold() for n in names}) == len(groups)
    for name, group in zip(names, groups, strict=True):
        if name in earlier:
            assert str(group[0]) in earlier[name]
    order = list(range(len(groups)))[::-1]
    assert site_names([groups[i] for i in order], earlier=earlier) == [names[i] for i in order]
