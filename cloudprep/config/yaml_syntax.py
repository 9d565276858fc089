"""Says in plain words why a text is not YAML."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import yaml

# The parser's own words for the mistakes that people really make -> plain ones.
_PLAIN_SYNTAX = (
    (re.compile(r"found character '\\t'"), "a tab stands where only spaces are allowed"),
    (re.compile(r"found character '(?P<sign>.)' that"), "text that starts with {sign} must be quoted"),
    (re.compile(r"found undefined alias '?(?P<name>[^']*)'?"), "no anchor is called '&{name}'"),
    (re.compile(r"but found another document"), "the file holds a second document ('---'); one is allowed"),
    (re.compile(r"second occurrence"), "an anchor (&name) is given twice"),
    (
        re.compile(r"expected '<document start>'"),
        "something follows that belongs nowhere: a ':' is missing, or the line is not indented",
    ),
    (
        re.compile(r"mapping values are not allowed here"),
        "a ':' stands where no key can be: indent the line like its neighbours, and quote text that has ': '",
    ),
    (re.compile(r"found incompatible YAML document"), "the file asks for another version of YAML"),
    (
        re.compile(r"expected <block end>, but found '-'"),
        "a list item is not indented like the ones before it",
    ),
    (
        re.compile(r"expected <block end>, but found"),
        "the line is not indented like the ones before it, or a bracket is closed that was never opened",
    ),
    (
        re.compile(r"expected ',' or '[\]}]', but got"),
        "a bracket or brace is not closed, or a comma is missing",
    ),
    (re.compile(r"could not find expected ':'"), "a ':' is missing after the key"),
    (re.compile(r"found unexpected end of stream"), "a quote is not closed"),
)


def plain_syntax(error: yaml.MarkedYAMLError) -> str:
    """Return what is wrong with a text that the parser refused, in plain words where we have any."""
    problem = error.problem or error.context or "it can't be parsed"
    for pattern, plain in _PLAIN_SYNTAX:
        match = pattern.search(problem)
        if match:
            return plain.format(**match.groupdict())
    return problem
