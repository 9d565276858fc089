"""File names of tiles: a pattern that can only make safe names, each once."""

from __future__ import annotations

import re
import string

__all__ = ["TILE_FIELDS", "check_tile_name", "tile_name"]

TILE_FIELDS = ("product", "east", "north", "column", "row")
_LITERAL = re.compile(r"[\w.+-]*")
_FILLED = re.compile(r"0?[1-9][0-9]?")
_LONGEST = 100


def check_tile_name(pattern: str) -> None:
    """Check that a pattern makes safe names, and never the same one twice.

    Parameters
    ----------
    pattern : str
        With fields in braces: ``product``, ``east`` or ``column``, ``north`` or ``row``; the numbers may be
        filled up with zeros (``{east:07}``). Beside them letters, digits and ``_ - + .``: no folders.

    Raises
    ------
    ValueError
        In words that follow the name of the value.

    Examples
    --------
    >>> check_tile_name("../{product}_{east}_{north}")
    Traceback (most recent call last):
    ...
    ValueError: may hold letters, digits and _ - + . beside its fields, and no folders; got '../'
    """
    try:
        parts = list(string.Formatter().parse(pattern))
    except ValueError as error:
        raise ValueError(f"has braces that don't pair: {error}") from error
    if len(pattern) > _LONGEST:
        raise ValueError(f"may have {_LONGEST} letters at most, has {len(pattern)}")
    names: list[str] = []
    for literal, field, form, conversion in parts:
        if not _LITERAL.fullmatch(literal):
            raise ValueError(
                f"may hold letters, digits and _ - + . beside its fields, and no folders; got '{literal}'"
            )
        if field is None:
            continue
        if field not in TILE_FIELDS or conversion:
            raise ValueError(f"knows the fields {', '.join(TILE_FIELDS)}; got '{{{field}}}'")
        if form and (field == "product" or not _FILLED.fullmatch(form)):
            raise ValueError(f"can fill numbers up with zeros, as in {{east:07}}; got '{{{field}:{form}}}'")
        if names and not literal.strip("0123456789.+-") and literal not in ("-", "--"):
            raise ValueError(
                f"needs a letter, _ or - between {{{names[-1]}}} and {{{field}}}, else two tiles share a name"
            )
        names.append(field)
    if len(names) != len(set(names)):
        raise ValueError("has a field twice")
    for one_of in (("product",), ("east", "column"), ("north", "row")):
        if not set(one_of) & set(names):
            wanted = " or ".join(f"{{{name}}}" for name in one_of)
            raise ValueError(f"needs {wanted}, else two tiles share a name")
    if pattern.startswith(".") or pattern.endswith("."):
        raise ValueError("must not begin or end with a dot")


def tile_name(pattern: str, product: str, corner: tuple[float, float], index: tuple[int, int]) -> str:
    """Return the file name of a tile, without ending.

    Parameters
    ----------
    pattern : str
        Checked.
    product : str
        Name of the raster.
    corner : tuple of float
        Easting and northing of the south-western corner.
    index : tuple of int
        Column and row of the tile.

    Examples
    --------
    >>> tile_name("{product}_{east}_{north}", "dtm", (412000.0, -500.5), (412, -1))
    'dtm_412000_-500.5'
    >>> tile_name("{column:04}-{row:04}_{product}", "dtm", (0.0, 0.0), (412, -1))
    '0412--001_dtm'
    """
    values = {"east": corner[0], "north": corner[1], "column": index[0], "row": index[1]}
    made = ""
    for literal, field, form, _ in string.Formatter().parse(pattern):
        made += literal
        if field == "product":
            made += product
        elif field is not None:
            width = int(form or 0)
            made += _number(values[field], width)
    return made


def _number(value: float, width: int) -> str:
    """Return a number to the millimetre, without a point where it is whole."""
    text = f"{round(value, 3):.3f}".rstrip("0").rstrip(".")
    whole, dot, rest = text.partition(".")
    return f"{'0' if whole == '-0' and not dot else whole}".zfill(width) + dot + rest
