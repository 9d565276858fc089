"""Surveyed points from text files, in the habits that are met in practice."""

from __future__ import annotations

import csv
import io
import math
import re
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from cloudprep.errors import BadInputError, UsageError

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence
    from pathlib import Path

LARGEST = 200_000_000
"""Files beyond this many bytes are refused."""
ROLES = ("name", "easting", "northing", "height")
_NEEDED = ROLES[1:]

# Headings as they are met (common practice, no source), without case, signs and units.
_HEADINGS: Mapping[str, tuple[str, ...]] = {
    "name": ("name", "id", "nr", "no", "point", "pointid", "pointname", "pt", "pnr", "punkt",
             "punktnummer", "label"),
    "easting": ("easting", "east", "e", "x", "ostwert", "ost", "rechtswert", "rechts", "este",
                "est", "xcoord"),
    "northing": ("northing", "north", "n", "y", "nordwert", "nord", "hochwert", "hoch", "norte", "ycoord"),
    "height": (
        "height", "elevation", "elev", "z", "h", "altitude", "alt", "level", "hoehe", "höhe", "cota",
        "zcoord", "orthoheight", "orthometricheight",
    ),
}  # fmt: skip
# Degrees: these count where the file has no column of the plan besides.
_DEGREES: Mapping[str, tuple[str, ...]] = {
    "easting": ("longitude", "lon", "lng", "long"),
    "northing": ("latitude", "lat"),
}
_SEPARATORS = (";", "\t", "|", ",")
_NUMBER = re.compile(r"[+-]?(\d+([.]\d*)?|[.]\d+)([eE][+-]?\d+)?")
# Signs that part thousands: apostrophes, and spaces that don't break.
_THOUSANDS = str.maketrans("", "", "'\u2019\u00a0\u202f\u2009")
_MOST_TOLD = 5


@dataclass(frozen=True)
class TablePoint:
    """One point as it stands in the file.

    Parameters
    ----------
    line : int
        Line of the file, from 1.
    name : str
        As given, or the line's number.
    easting, northing, height : float
        In the unit of the file.
    more : dict of str to str
        Other columns, by heading.
    """

    line: int
    name: str
    easting: float
    northing: float
    height: float
    more: dict[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class PointTable:
    """What a file of points holds.

    Parameters
    ----------
    points : tuple of TablePoint
        Lines that could be read.
    skipped : tuple of (int, str)
        Lines that couldn't: number and reason.
    separator : str
        What parts the columns; a space stands for any white space.
    decimal : str
        Point or comma.
    columns : tuple of str
        What each column was taken for; other headings as they are.
    """

    points: tuple[TablePoint, ...]
    skipped: tuple[tuple[int, str], ...]
    separator: str
    decimal: str
    columns: tuple[str, ...]


def read_point_table(path: Path, columns: Sequence[str] | None = None) -> PointTable:
    """Read points with names, plane coordinates and heights.

    Commas, semicolons, tabs, bars or white space part the columns; decimals have points, or commas where
    these don't part columns; a byte order mark, quotes, empty lines and lines that start with ``#`` do no
    harm. Which column is which is told by a heading, or by ``columns``; it is never guessed from the numbers,
    since northing and easting look alike.

    Parameters
    ----------
    path : Path
        The file.
    columns : sequence of str, optional
        What each column is: ``name``, ``easting``, ``northing``, ``height``, or any other word for a column
        of its own. It goes before the headings of the file.

    Returns
    -------
    PointTable
        Points and what was skipped.

    Raises
    ------
    BadInputError
        If the file can't be read, holds no points, or doesn't tell which column is which.
    UsageError
        If ``columns`` names a column twice, or leaves one out.
    """
    lines = [
        (n, line) for n, line in _lines(_text(path)) if line.strip() and not line.lstrip().startswith("#")
    ]
    if not lines:
        raise BadInputError(path, "holds no points")
    separator = _separator([line for _, line in lines[:50]])
    rows = [(n, _fields(line, separator)) for n, line in lines]
    decimal = _decimal([fields for _, fields in rows[:50]], separator)
    heading = rows[0][1] if not any(_number(f, decimal) is not None for f in rows[0][1]) else None
    if heading is not None:
        rows = rows[1:]
    roles = _told(columns) if columns is not None else _from_heading(path, heading)
    points: list[TablePoint] = []
    skipped: list[tuple[int, str]] = []
    for number, fields in rows:
        found = _point(number, fields, roles, decimal)
        if isinstance(found, str):
            skipped.append((number, found))
        else:
            points.append(found)
    if not points:
        reasons = "; ".join(f"line {n}: {why}" for n, why in skipped[:_MOST_TOLD]) or "only a heading"
        raise BadInputError(path, f"holds no points that can be read ({reasons})")
    return PointTable(tuple(points), tuple(skipped), separator, decimal, tuple(roles))


def _text(path: Path) -> str:
    try:
        size = path.stat().st_size
        if size > LARGEST:
            raise BadInputError(
                path, f"has {size / 1e6:,.0f} MB, more than {LARGEST // 1_000_000} MB of text"
            )
        content = path.read_bytes()
    except OSError as error:
        raise BadInputError(path, f"can't be read: {error.strerror or error}") from error
    if content[:2] in (b"\xff\xfe", b"\xfe\xff"):
        encodings = ["utf-16"]
    elif b"\0" in content[:4096]:
        raise BadInputError(path, "is no text")
    else:
        encodings = ["utf-8-sig", "cp1252", "latin-1"]
    for encoding in encodings:
        try:
            return content.decode(encoding)
        except UnicodeDecodeError:
            continue
    raise BadInputError(path, "is no text in a known encoding")


def _lines(text: str) -> Iterator[tuple[int, str]]:
    # Not splitlines: it also breaks at signs that may stand within a name.
    yield from enumerate(re.split(r"\r\n|\r|\n", text), 1)


def _separator(lines: Sequence[str]) -> str:
    """Return what parts the columns: a sign that parts all lines into as many columns, at least three."""
    for sign in _SEPARATORS:
        counts = {len(_fields(line, sign)) for line in lines}
        if len(counts) == 1 and counts.pop() >= len(_NEEDED):
            return sign
    for sign in _SEPARATORS:  # lines of unlike lengths are told line by line
        if sorted(len(_fields(line, sign)) for line in lines)[len(lines) // 2] >= len(_NEEDED):
            return sign
    return " "


def _fields(line: str, separator: str) -> list[str]:
    if separator == " ":
        return line.split()
    try:
        fields = next(csv.reader(io.StringIO(line), delimiter=separator, skipinitialspace=True), [])
    except csv.Error:
        fields = line.split(separator)
    fields = [f.strip() for f in fields]
    return fields[:-1] if fields and not fields[-1] else fields  # many programs end a line with a separator


def _decimal(rows: Sequence[Sequence[str]], separator: str) -> str:
    """Return the decimal sign: a comma only where some number has one and none has a point."""
    commas = any(re.fullmatch(r"[+-]?\d+,\d+", f.translate(_THOUSANDS)) for row in rows for f in row)
    points = any(re.fullmatch(r"[+-]?\d+[.]\d+", f.translate(_THOUSANDS)) for row in rows for f in row)
    del separator
    return "," if commas and not points else "."


def _number(text: str, decimal: str) -> float | None:
    plain = text.translate(_THOUSANDS).replace(" ", "")
    if decimal == ",":
        if "." in plain:
            return None
        plain = plain.replace(",", ".")
    if not _NUMBER.fullmatch(plain):
        return None
    value = float(plain)
    return value if math.isfinite(value) else None


def _told(columns: Sequence[str]) -> list[str]:
    roles = [c.strip() for c in columns]
    missing = [r for r in _NEEDED if r not in roles]
    twice = sorted({r for r in roles if r and roles.count(r) > 1})
    if missing or twice or not all(roles):
        what = f"names {', '.join(twice) or 'nothing'} twice"
        if missing:
            what = f"leaves out {', '.join(missing)}"
        raise UsageError(
            f"--columns {','.join(roles)} {what}: it names each column of the file in order, easting, "
            "northing and height among them"
        )
    return roles


def _from_heading(path: Path, heading: Sequence[str] | None) -> list[str]:
    way_out = "say what the columns are: --columns name,easting,northing,height (in the order of the file)"
    if heading is None:
        raise BadInputError(path, f"has no heading, and northing and easting look alike; {way_out}")
    roles = [h.strip() for h in heading]
    for role, words in _HEADINGS.items():
        places = [i for i, h in enumerate(heading) if _bare(h) in words]
        if len(places) > 1 and role != "name":
            told = " and ".join(f"'{heading[i]}'" for i in places)
            raise BadInputError(path, f"has more than one column for the {role}: {told}; {way_out}")
        places = places or [i for i, h in enumerate(heading) if _bare(h) in _DEGREES.get(role, ())][:1]
        if places:
            roles[places[0]] = role
    missing = [r for r in _NEEDED if r not in roles]
    if missing:
        shown = ", ".join(f"'{h[:30]}'" for h in heading[:8])
        raise BadInputError(
            path, f"no heading tells the {' and '.join(missing)} (there are: {shown}); {way_out}"
        )
    return roles


def _bare(heading: str) -> str:
    """Return a heading without case, signs, and a unit in brackets or behind an underscore."""
    text = re.sub(r"[\[(].*?[\])]", "", heading.casefold())
    text = re.sub(r"[_ ](m|ft|ftus|metres|meters|feet)$", "", text.strip())
    return re.sub(r"[^a-zà-ÿ]", "", text)


def _point(number: int, fields: Sequence[str], roles: Sequence[str], decimal: str) -> TablePoint | str:
    """Return a point, or why there is none."""
    if len(fields) < len(roles):
        missing = [r for r in roles[len(fields) :] if r in _NEEDED]
        if missing:
            return f"has {len(fields)} columns, and no {missing[0]}"
    given = dict(zip(roles, fields, strict=False))
    values: dict[str, float] = {}
    for role in _NEEDED:
        value = _number(given[role], decimal)
        if value is None:
            return f"its {role} '{given[role][:30]}' is no number" if given[role] else f"has no {role}"
        values[role] = value
    more = {name: text for name, text in given.items() if name not in ROLES}
    return TablePoint(number, given.get("name") or f"line {number}", more=more, **values)
