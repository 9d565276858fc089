"""Reads YAML text into plain values, with the line of every key and every trap reported.

Scalars follow the core schema of YAML 1.2: only ``true`` and ``false`` are truth values (``no``, ``on`` and
their like are text), ``1e-3`` is a number, ``12:30`` is text, ``010`` is ten. A key given twice, a tag, and
text that is not UTF-8 are problems, never silently something else.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import yaml
from yaml.nodes import MappingNode, Node, ScalarNode, SequenceNode
from yaml.reader import ReaderError

from cloudprep.config.yaml_syntax import plain_syntax

if TYPE_CHECKING:
    from collections.abc import Callable

__all__ = ["NUMBER", "Problem", "ValuePath", "YamlText", "read_yaml", "shortened"]

ValuePath = tuple[str | int, ...]
"""Where a value stands: keys and list positions from the top."""

# A pipeline file is a page of text. The limits keep a hostile file (aliases of aliases of aliases) from
# eating the memory; no honest one comes near them.
LARGEST_BYTES = 65_536
MOST_VALUES = 20_000

_LONGEST_SHOWN = 60
_TAG = "tag:yaml.org,2002:"
_INTEGER = re.compile(r"[-+]?[0-9]+|0o[0-7]+|0x[0-9a-fA-F]+")
NUMBER = re.compile(r"[-+]?(\.[0-9]+|[0-9]+(\.[0-9]*)?)([eE][-+]?[0-9]+)?")
"""A decimal number of the YAML 1.2 core schema."""
_NOT_FINITE = re.compile(r"[-+]?\.(inf|Inf|INF)|\.(nan|NaN|NAN)")
_TRUTH = re.compile(r"true|True|TRUE|false|False|FALSE")
_NOTHING = re.compile(r"~|null|Null|NULL|")
_BASES = {"0o": 8, "0x": 16}


@dataclass(frozen=True)
class Problem:
    """One thing that is wrong: where, on which line (from 1), and in words."""

    path: ValuePath
    line: int
    text: str


@dataclass
class YamlText:
    """What a text says.

    Parameters
    ----------
    value : object
        Plain values: dict, list, str, int, float, bool or None.
    lines : dict
        Line (from 1) of every key and list item by its path; ``()`` is the start of the content.
    problems : list of Problem
        What was wrong. What could still be understood is in ``value``.
    refused : set
        Paths of values that a problem was found in; None stands for them in ``value``.
    """

    value: Any = None
    lines: dict[ValuePath, int] = field(default_factory=dict)
    problems: list[Problem] = field(default_factory=list)
    refused: set[ValuePath] = field(default_factory=set)

    def line_of(self, path: ValuePath) -> int:
        """Return the line of a value, or of the closest thing around it that has one."""
        for length in range(len(path), -1, -1):
            if path[:length] in self.lines:
                return self.lines[path[:length]]
        return 1


class _CoreLoader(yaml.SafeLoader):
    """The parser with the scalar types of the YAML 1.2 core schema instead of those of 1.1."""

    yaml_implicit_resolvers: dict[str, list[tuple[str, re.Pattern[str]]]] = {}  # noqa: RUF012 - as the base


def _resolver(tag: str, pattern: re.Pattern[str], first: str) -> None:
    whole = re.compile(f"(?:{pattern.pattern})$")
    _CoreLoader.add_implicit_resolver(_TAG + tag, whole, list(first) or None)


_resolver("bool", _TRUTH, "tTfF")
_resolver("int", _INTEGER, "-+0123456789")
_resolver("float", NUMBER, "-+.0123456789")
_resolver("float", _NOT_FINITE, "-+.")
_resolver("merge", re.compile("<<"), "<")
_CoreLoader.add_implicit_resolver(_TAG + "null", re.compile(r"(?:~|null|Null|NULL|)$"), ["~", "n", "N", ""])


def read_yaml(content: bytes) -> YamlText:
    """Return what the bytes of a YAML file say.

    Parameters
    ----------
    content : bytes
        The file as it is; UTF-8, with or without a byte order mark.

    Returns
    -------
    YamlText
        Values, lines and problems. A text that can't be parsed at all has one problem and no value.

    Examples
    --------
    >>> read_yaml(b"cell: 1e-3").value
    {'cell': 0.001}
    """
    try:
        text = _decoded(content)
        root = _composed(text)
        found = YamlText(lines={(): root.start_mark.line + 1})
        found.value = _Reading(found).value(root, ())
    except _UnreadableError as error:
        return YamlText(problems=[Problem((), error.line, error.text)])
    except RecursionError:
        return YamlText(problems=[Problem((), 1, "the values are nested too deeply")])
    return found


class _UnreadableError(Exception):
    """Nothing can be made of the text at all."""

    def __init__(self, line: int, text: str) -> None:
        self.line = line
        self.text = text
        super().__init__(text)


def _decoded(content: bytes) -> str:
    if len(content) > LARGEST_BYTES:
        size = f"{len(content) / 1024:.0f} kB"
        raise _UnreadableError(
            1, f"the file has {size}; a pipeline file has at most {LARGEST_BYTES // 1024} kB"
        )
    if content.startswith((b"\xff\xfe", b"\xfe\xff")):
        raise _UnreadableError(1, "the file is UTF-16; save it as UTF-8")
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        byte = f"0x{content[error.start]:02x}"
        raise _UnreadableError(line, f"the file is not UTF-8 (byte {byte}); save it as UTF-8") from error


def _composed(text: str) -> Node:
    try:
        root = yaml.compose(text, Loader=_CoreLoader)
    except ReaderError as error:
        line = text.count("\n", 0, error.position) + 1
        code = ord(error.character) if isinstance(error.character, str) else error.character
        raise _UnreadableError(line, f"the file holds a control character (0x{code:02x})") from error
    except yaml.MarkedYAMLError as error:
        mark = error.problem_mark or error.context_mark
        line = mark.line + 1 if mark else 1
        raise _UnreadableError(line, f"this is not YAML: {plain_syntax(error)}") from error
    except ValueError as error:  # a character code in an escape that stands for nothing
        raise _UnreadableError(1, f"this is not YAML: {error}") from error
    if root is None:
        raise _UnreadableError(1, "the file is empty; a pipeline starts with 'cloudprep: 1'")
    return root


class _Reading:
    """Turns parsed nodes into plain values. An alias is followed as often as it is used, within limits."""

    def __init__(self, found: YamlText) -> None:
        self.found = found
        self.count = 0
        self.open: set[int] = set()
        self.told: set[tuple[int, str]] = set()

    def problem(self, path: ValuePath, node: Node, text: str) -> None:
        line = node.start_mark.line + 1
        if (line, text) not in self.told:  # an alias would repeat it
            self.told.add((line, text))
            self.found.problems.append(Problem(path, line, text))

    def refuse(self, path: ValuePath, node: Node, text: str) -> None:
        self.problem(path, node, text)
        self.found.refused.add(path)

    def value(self, node: Node, path: ValuePath) -> Any:
        self.count += 1
        if self.count > MOST_VALUES or id(node) in self.open:
            raise _UnreadableError(1, "anchors and aliases make the file too large or endless")
        self.open.add(id(node))
        try:
            if isinstance(node, MappingNode) and node.tag == _TAG + "map":
                return self.mapping(node, path)
            if isinstance(node, SequenceNode) and node.tag == _TAG + "seq":
                return [self.item(child, (*path, i)) for i, child in enumerate(node.value)]
            if isinstance(node, ScalarNode):
                return self.scalar(node, path)
        finally:
            self.open.discard(id(node))
        self.refuse(path, node, f"the tag '{_shown_tag(node.tag)}' can't be used in a pipeline file")
        return None

    def item(self, node: Node, path: ValuePath) -> Any:
        self.found.lines[path] = node.start_mark.line + 1
        return self.value(node, path)

    def mapping(self, node: MappingNode, path: ValuePath) -> dict[str, Any]:
        first: dict[str, int] = {}
        merged: dict[str, Any] = {}
        own: list[tuple[str, Node]] = []
        for key_node, value_node in node.value:
            line = key_node.start_mark.line + 1
            is_merge = key_node.tag == _TAG + "merge"
            key = "<<" if is_merge else self.key(key_node, path)
            if key is None:
                continue
            if key in first:
                self.problem(
                    path, key_node, f"'{shortened(key)}' is given twice (first on line {first[key]})"
                )
                continue
            first[key] = line
            if is_merge:
                merged = self.merged(value_node, path)
            else:
                own.append((key, value_node))
        # After the merge, so that what stands in the mapping itself wins, and so do its lines.
        for key, value_node in own:
            self.found.lines[(*path, key)] = first[key]
            merged[key] = self.value(value_node, (*path, key))
        return merged

    def merged(self, node: Node, path: ValuePath) -> dict[str, Any]:
        """Return the keys that ``<<`` brings in; of several mappings the earlier wins."""
        values: dict[str, Any] = {}
        for one in reversed(node.value if isinstance(node, SequenceNode) else [node]):
            if isinstance(one, MappingNode):
                brought = self.value(one, path)
                values.update(brought if isinstance(brought, dict) else {})
            else:
                self.problem(path, one, "'<<' takes a mapping (an alias like *name), or a list of them")
        return values

    def key(self, node: Node, path: ValuePath) -> str | None:
        if isinstance(node, ScalarNode) and node.tag == _TAG + "str":
            return str(node.value)
        shown = f"'{shortened(str(node.value))}'" if isinstance(node, ScalarNode) else "a list or a mapping"
        self.problem(path, node, f"a key must be plain text, got {shown}")
        return None

    def scalar(self, node: ScalarNode, path: ValuePath) -> Any:
        text = str(node.value)
        tag = node.tag.removeprefix(_TAG)
        if tag in ("str", "merge"):
            return text
        if tag not in _SCALARS:
            self.refuse(path, node, f"the tag '{_shown_tag(node.tag)}' can't be used in a pipeline file")
            return None
        pattern, convert = _SCALARS[tag]
        if not pattern.fullmatch(text):
            self.refuse(path, node, f"the text '{shortened(text)}' doesn't fit its tag '!!{tag}'")
            return None
        try:
            return convert(text)
        except ValueError:  # Python refuses to read thousands of digits
            self.refuse(path, node, "a number has too many digits")
            return None


def _integer(text: str) -> int:
    return int(text, _BASES.get(text[:2], 10))


def _float(text: str) -> float:
    return float(text.lower().replace(".", "") if _NOT_FINITE.fullmatch(text) else text)


_SCALARS: dict[str, tuple[re.Pattern[str], Callable[[str], Any]]] = {
    "null": (_NOTHING, lambda _: None),
    "bool": (_TRUTH, lambda text: text.lower() == "true"),
    "int": (_INTEGER, _integer),
    "float": (re.compile(f"{NUMBER.pattern}|{_NOT_FINITE.pattern}"), _float),
}


def _shown_tag(tag: str) -> str:
    return shortened("!!" + tag.removeprefix(_TAG) if tag.startswith(_TAG) else tag)


def shortened(text: str) -> str:
    """Return a text cut to what a message can show.

    >>> shortened("abc"), len(shortened("a" * 1000))
    ('abc', 63)
    """
    return text if len(text) <= _LONGEST_SHOWN else text[:_LONGEST_SHOWN] + "..."
