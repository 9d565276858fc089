"""Which vector files are read at all: what their first bytes say must be what their names promise."""

from __future__ import annotations

import hashlib
from typing import TYPE_CHECKING
from xml.parsers import expat

from cloudprep.errors import BadInputError

if TYPE_CHECKING:
    from pathlib import Path

MOST_TEXT_BYTES = 256_000_000
"""GeoJSON and KML files larger than this are refused: they are parsed whole, in memory."""
ENDINGS = {
    ".gpkg": "GeoPackage",
    ".shp": "shapefile",
    ".geojson": "GeoJSON",
    ".json": "GeoJSON",
    ".kml": "KML",
}
# What the first bytes must be, so that no other reader of the library is talked into opening the file
# (one that follows names within it to other files or to the network, say).
_STARTS = {"GeoPackage": b"SQLite format 3\0", "shapefile": b"\x00\x00\x27\x0a"}
# The last word of what the library may call the reader that it chose.
READERS = {
    "GeoPackage": ("GPKG",),
    "shapefile": ("Shapefile",),
    "GeoJSON": ("GeoJSON", "GeoJSONSeq"),
    "KML": ("KML", "LIBKML"),
}
_SIDE_FILES = (".shx", ".dbf", ".prj", ".cpg")
_HEAD = 65536


def vector_files(path: Path) -> list[Path]:
    """Return the files that a vector file consists of: a shapefile has its geometry, index, table ..."""
    if path.suffix.lower() != ".shp":
        return [path]
    return [
        path,
        *(p for e in _SIDE_FILES for p in (path.with_suffix(e), path.with_suffix(e.upper())) if p.is_file()),
    ]


def vector_checksum(path: Path) -> str:
    """Return the SHA-256 of a vector file's bytes (of a shapefile: of its files', one after the other).

    Raises
    ------
    BadInputError
        If it can't be read.
    """
    digest = hashlib.sha256()
    try:
        for part in vector_files(path):
            with part.open("rb") as file:
                while chunk := file.read(1 << 20):
                    digest.update(chunk)
    except OSError as error:
        raise BadInputError(path, f"can't be read: {error.strerror or error}") from error
    return digest.hexdigest()


def trusted_format(path: Path) -> str:
    """Return the format of a file whose first bytes are what its ending promises.

    Raises
    ------
    BadInputError
        If they aren't; if there is no such file, or one that is too large or may lead elsewhere.
    """
    reader = ENDINGS.get(path.suffix.lower())
    if path.is_dir():
        raise BadInputError(path, "is a folder, not a vector file")
    if not path.exists():
        raise BadInputError(path, "no such file")
    if reader is None:
        known = ", ".join(ENDINGS)
        raise BadInputError(path, f"vector files end in {known}; give one of these")
    try:
        size = path.stat().st_size
        with path.open("rb") as file:
            head = file.read(_HEAD)
    except OSError as error:
        raise BadInputError(path, f"can't be read: {error.strerror or error}") from error
    if not size:
        raise BadInputError(path, "is empty")
    if reader in _STARTS:
        if not head.startswith(_STARTS[reader]):
            raise BadInputError(path, f"is no {reader}, whatever its name says")
        return reader
    if size > MOST_TEXT_BYTES:
        much = f"{size / 1e6:,.0f} MB, more than {MOST_TEXT_BYTES // 1_000_000} MB"
        raise BadInputError(path, f"has {much}: give it as a GeoPackage")
    if reader == "KML":
        _refuse_foreign_xml(path)
    elif not head.removeprefix(b"\xef\xbb\xbf").lstrip().startswith(b"{"):
        raise BadInputError(path, "is no GeoJSON file, whatever its name says")
    return reader


def _refuse_foreign_xml(path: Path) -> None:
    """Refuse XML whose root isn't that of KML, or that declares a document type (and so, entities)."""
    found: list[str] = []

    def declared(*_: object) -> None:
        raise BadInputError(path, "declares a document type or entities: that is refused")

    parser = expat.ParserCreate()
    parser.StartDoctypeDeclHandler = declared
    parser.EntityDeclHandler = declared
    parser.StartElementHandler = lambda name, _: found.append(name) if not found else None
    try:
        with path.open("rb") as file:
            while not found and (chunk := file.read(_HEAD)):
                parser.Parse(chunk, False)
    except (expat.ExpatError, LookupError, ValueError) as error:  # the others: encodings
        raise BadInputError(path, f"is no KML file: {error}") from error
    if not found or found[0].rpartition(":")[2] != "kml":
        raise BadInputError(path, "is no KML file: its root isn't <kml>")
