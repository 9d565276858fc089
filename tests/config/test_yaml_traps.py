"""What YAML readers get wrong is caught. Types are those of the core schema, YAML 1.2.2 chapter 10.3.2."""

from __future__ import annotations

import math

import pytest

from cloudprep.config.yaml_text import LARGEST_BYTES, read_yaml

# The examples of the core schema (YAML 1.2.2, example 10.3.2 and its tables), and the traps of YAML 1.1.
CORE_VALUES = {
    "null": None,
    "~": None,
    "": None,
    "true": True,
    "True": True,
    "FALSE": False,
    "0": 0,
    "0o7": 7,
    "0x3A": 58,
    "-19": -19,
    "0.": 0.0,
    "-0.0": -0.0,
    ".5": 0.5,
    "+12e03": 12000.0,
    "-2E+05": -200000.0,
    "1e-3": 0.001,
    "1.5e3": 1500.0,
    "010": 10,
    "no": "no",
    "No": "No",
    "yes": "yes",
    "on": "on",
    "off": "off",
    "y": "y",
    "12:30": "12:30",
    "190:20:30.15": "190:20:30.15",
    "1_000": "1_000",
    "0b101": "0b101",
    "2024-11-25": "2024-11-25",
    "=": "=",
    "'no'": "no",
    '"5"': "5",
    "'true'": "true",
    "!!str 5": "5",
    "!!int '5'": 5,
    "!!float 3": 3.0,
    "! 12": 12,
}


@pytest.mark.parametrize(("text", "value"), CORE_VALUES.items())
def test_scalars_follow_the_core_schema(text: str, value: object) -> None:
    found = read_yaml(f"a: {text}\n".encode())
    assert found.problems == []
    assert found.value == {"a": value}
    assert type(found.value["a"]) is type(value)


def test_infinity_and_nan_are_read_as_such_so_that_the_checks_can_refuse_them() -> None:
    found = read_yaml(b"a: [.inf, -.Inf, +.INF, .NaN]\n").value["a"]
    assert found[:3] == [math.inf, -math.inf, math.inf]
    assert math.isnan(found[3])


@pytest.mark.parametrize(
    ("content", "line", "words"),
    [
        (b"a: 1\nb: 2\na: 3\n", 3, "'a' is given twice (first on line 1)"),
        (b"a: {b: 1, b: 2}\n", 1, "'b' is given twice (first on line 1)"),
        (b"x: &x {a: 1}\ny: {<<: *x, <<: *x}\n", 2, "'<<' is given twice"),
        (b"", 1, "the file is empty"),
        (b"# only words\n\n", 1, "the file is empty"),
        (b"a:\n\tb: 1\n", 2, "a tab stands where only spaces are allowed"),
        (b"a: 1\n\tb: 2\n", 2, "a tab stands where only spaces are allowed"),
        (b"a: [1, 2\n", 2, "a bracket or brace is not closed"),
        (b"a: 'b\n", 2, "a quote is not closed"),
        (b"a: b: c\n", 1, "a ':' stands where no key can be"),
        (b"a: 1\n  b: 2\n", 2, "a ':' stands where no key can be"),
        (b"a:\n  - 1\n - 2\n", 3, "not indented like the ones before it"),
        (b"a: @b\n", 1, "text that starts with @ must be quoted"),
        (b"a: 1\n---\nb: 2\n", 2, "a second document"),
        (b"%YAML 2.0\n---\na: 1\n", 1, "another version of YAML"),
        (b"a: &x 1\nb: &x 2\n", 2, "an anchor (&name) is given twice"),
        (b"'a' 'b'\n", 1, "something follows that belongs nowhere"),
        (b"a: *rock\n", 1, "no anchor is called '&rock'"),
        (b"a: 1\nb: \x00\n", 2, "control character (0x00)"),
        ("a: 1\nb: ü\n".encode("latin-1"), 2, "not UTF-8 (byte 0xfc)"),
        ("a: 1\n".encode("utf-16"), 1, "UTF-16; save it as UTF-8"),
        (b"a: !!python/object/apply:os.getcwd []\n", 1, "the tag '!!python/object/apply:os.getcwd' can't"),
        (b"a: !!python/name:os.system\n", 1, "the tag '!!python/name:os.system' can't"),
        (b"a: !!binary aGVsbG8=\n", 1, "the tag '!!binary' can't"),
        (b"a: !mine 5\n", 1, "the tag '!mine' can't"),
        (b"a: !!set {b}\n", 1, "the tag '!!set' can't"),
        (b"a: !!bool no\n", 1, "the text 'no' doesn't fit its tag '!!bool'"),
        (b"a: !!int 5.5\n", 1, "the text '5.5' doesn't fit its tag '!!int'"),
        (b"a: 1\n5: b\n", 2, "a key must be plain text, got '5'"),
        (b"no: 1\ntrue: b\n", 2, "a key must be plain text, got 'true'"),
        (b"? [a]\n: 1\n", 1, "a key must be plain text, got a list or a mapping"),
        (b"a: {<<: 5}\n", 1, "'<<' takes a mapping"),
        (b"a: " + b"9" * 5000, 1, "too many digits"),
        (b"a: " + b"[" * 5000, 1, "nested too deeply"),
        (b"a: &a [*a]\n", 1, "anchors and aliases make the file too large or endless"),
        (b"a: &a\n  <<: *a\n", 1, "anchors and aliases make the file too large or endless"),
        (b"#" * (LARGEST_BYTES + 1), 1, "a pipeline file has at most 64 kB"),
    ],
)
def test_bad_text_has_one_problem_with_its_line(content: bytes, line: int, words: str) -> None:
    found = read_yaml(content)
    assert [(p.line, words in p.text) for p in found.problems] == [(line, True)], found.problems


def test_aliases_of_aliases_are_bounded() -> None:
    levels = [b"a0: &a0 [1, 1, 1, 1, 1, 1, 1, 1, 1, 1]"]
    levels += [b"a%d: &a%d [%s]" % (i, i, b", ".join([b"*a%d" % (i - 1)] * 10)) for i in range(1, 12)]
    found = read_yaml(b"\n".join(levels))
    assert "too large or endless" in found.problems[0].text
    assert found.value is None


def test_anchors_aliases_and_merge_keys_work() -> None:
    text = b"""
- &grid {cell: 1, method: tin}
- <<: *grid
  cell: 2
- <<: [{cell: 5}, *grid]
- *grid
"""
    found = read_yaml(text)
    assert found.problems == []
    assert found.value == [
        {"cell": 1, "method": "tin"},
        {"cell": 2, "method": "tin"},
        {"cell": 5, "method": "tin"},
        {"cell": 1, "method": "tin"},
    ]


def test_an_own_key_wins_over_a_merged_one_wherever_it_stands() -> None:
    found = read_yaml(b"- &a {cell: 1}\n- cell: 2\n  <<: *a\n")
    assert found.value[1] == {"cell": 2}
    assert found.line_of((1, "cell")) == 2


def test_a_problem_inside_an_anchor_is_told_once() -> None:
    found = read_yaml(b"- &a {cell: 1, cell: 2}\n- *a\n- <<: *a\n")
    assert len(found.problems) == 1


def test_every_key_and_item_knows_its_line() -> None:
    found = read_yaml(b"\xef\xbb\xbf# top\r\na:\r\n  - b: 1\r\n    c:\r\n      2\r\n  - 3\r\n")
    assert found.value == {"a": [{"b": 1, "c": 2}, 3]}
    lines = {("a",): 2, ("a", 0): 3, ("a", 0, "b"): 3, ("a", 0, "c"): 4, ("a", 1): 6}
    assert {path: found.line_of(path) for path in lines} == lines
    assert found.line_of(("a", 0, "absent", 4)) == 3


def test_several_problems_of_one_text_are_all_found() -> None:
    found = read_yaml(b"a: !x 1\nb: 2\nb: 3\n7: 8\n")
    assert sorted(p.line for p in found.problems) == [1, 3, 4]


def test_deep_but_finite_values_and_an_empty_document_are_read() -> None:
    assert read_yaml(b"a: " + b"[" * 50 + b"]" * 50).problems == []
    assert read_yaml(b"---\n").value is None
