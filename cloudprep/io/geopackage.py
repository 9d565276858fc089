"""A GeoPackage as plain SQLite: tables with words about every column, changed in place by whoever has a copy.

OGC 12-128r19 (GeoPackage 1.4): requirements 1 to 4 (file), 10 to 16 (reference systems and contents), 19 to
33 (features), 118 to 124 (attributes), and the schema extension (F.9) for what columns are called and mean.
The layers of a run are written by ``vectors.py``; here rows come and go.
"""

from __future__ import annotations

import sqlite3
import struct
from contextlib import closing
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any, Literal, NamedTuple
from urllib.parse import quote

import shapely

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

__all__ = [
    "GEOMETRY",
    "WGS84",
    "Column",
    "Table",
    "change",
    "create",
    "geometry_blob",
    "is_intact",
    "look_into",
]

GEOMETRY = "geom"
WGS84 = 4326
_APPLICATION = 0x47504B47  # "GPKG"
_VERSION = 10400
_WGS84_TEXT = (
    'GEOGCS["WGS 84",DATUM["WGS_1984",SPHEROID["WGS 84",6378137,298.257223563,AUTHORITY["EPSG","7030"]],'
    'AUTHORITY["EPSG","6326"]],PRIMEM["Greenwich",0,AUTHORITY["EPSG","8901"]],UNIT["degree",'
    '0.0174532925199433,AUTHORITY["EPSG","9122"]],AXIS["Latitude",NORTH],AXIS["Longitude",EAST],'
    'AUTHORITY["EPSG","4326"]]'
)
_SYSTEMS = (
    ("WGS 84 geodetic", WGS84, "EPSG", WGS84, _WGS84_TEXT, "longitude and latitude, degrees"),
    (
        "Undefined Cartesian SRS",
        -1,
        "NONE",
        -1,
        "undefined",
        "undefined Cartesian coordinate reference system",
    ),
    (
        "Undefined geographic SRS",
        0,
        "NONE",
        0,
        "undefined",
        "undefined geographic coordinate reference system",
    ),
)
# As the standard prints them (annex C), without the triggers: they guard programs that write by themselves.
_TABLES = """
CREATE TABLE gpkg_spatial_ref_sys (
  srs_name TEXT NOT NULL, srs_id INTEGER PRIMARY KEY, organization TEXT NOT NULL,
  organization_coordsys_id INTEGER NOT NULL, definition TEXT NOT NULL, description TEXT);
CREATE TABLE gpkg_contents (
  table_name TEXT NOT NULL PRIMARY KEY, data_type TEXT NOT NULL, identifier TEXT UNIQUE,
  description TEXT DEFAULT '',
  last_change DATETIME NOT NULL DEFAULT (strftime('%Y-%m-%dT%H:%M:%fZ','now')),
  min_x DOUBLE, min_y DOUBLE, max_x DOUBLE, max_y DOUBLE, srs_id INTEGER,
  CONSTRAINT fk_gc_r_srs_id FOREIGN KEY (srs_id) REFERENCES gpkg_spatial_ref_sys(srs_id));
CREATE TABLE gpkg_geometry_columns (
  table_name TEXT NOT NULL, column_name TEXT NOT NULL, geometry_type_name TEXT NOT NULL,
  srs_id INTEGER NOT NULL, z TINYINT NOT NULL, m TINYINT NOT NULL,
  CONSTRAINT pk_geom_cols PRIMARY KEY (table_name, column_name),
  CONSTRAINT uk_gc_table_name UNIQUE (table_name),
  CONSTRAINT fk_gc_tn FOREIGN KEY (table_name) REFERENCES gpkg_contents(table_name),
  CONSTRAINT fk_gc_srs FOREIGN KEY (srs_id) REFERENCES gpkg_spatial_ref_sys (srs_id));
CREATE TABLE gpkg_extensions (
  table_name TEXT, column_name TEXT, extension_name TEXT NOT NULL, definition TEXT NOT NULL,
  scope TEXT NOT NULL, CONSTRAINT ge_tce UNIQUE (table_name, column_name, extension_name));
CREATE TABLE gpkg_data_columns (
  table_name TEXT NOT NULL, column_name TEXT NOT NULL, name TEXT, title TEXT, description TEXT,
  mime_type TEXT, constraint_name TEXT,
  CONSTRAINT pk_gdc PRIMARY KEY (table_name, column_name), CONSTRAINT gdc_tn UNIQUE (table_name, name));
CREATE TABLE gpkg_data_column_constraints (
  constraint_name TEXT NOT NULL, constraint_type TEXT NOT NULL, value TEXT, min NUMERIC,
  min_is_inclusive BOOLEAN, max NUMERIC, max_is_inclusive BOOLEAN, description TEXT,
  CONSTRAINT gdcc_ntv UNIQUE (constraint_name, constraint_type, value));
"""
_SCHEMA_EXTENSION = "http://www.geopackage.org/spec121/#extension_schema"


class Column(NamedTuple):
    """A column.

    Parameters
    ----------
    name : str
        In the file.
    kind : {"TEXT", "INTEGER", "REAL", "DATETIME"}
        Of its values.
    title : str
        What people are shown, with the unit.
    meaning : str
        In a line.
    """

    name: str
    kind: Literal["TEXT", "INTEGER", "REAL", "DATETIME"]
    title: str
    meaning: str = ""


class Table(NamedTuple):
    """A layer of polygons in WGS 84, or a table without geometry.

    Parameters
    ----------
    name, title, meaning : str
        In the file; as people are shown it; what it holds, in a line or two.
    columns : tuple of Column
        Without the number of the row and the geometry.
    polygons : bool
        Whether rows have a geometry, ``geom``, which may be null.
    """

    name: str
    title: str
    meaning: str
    columns: tuple[Column, ...]
    polygons: bool


def create(path: Path, tables: Sequence[Table]) -> None:
    """Make a new file with empty tables.

    Raises
    ------
    sqlite3.Error
        If it can't be written.
    """
    with closing(_connect(path)) as base:
        base.execute(f"PRAGMA application_id = {_APPLICATION}")
        base.execute(f"PRAGMA user_version = {_VERSION}")
        base.executescript(_TABLES)
        base.executemany("INSERT INTO gpkg_spatial_ref_sys VALUES (?, ?, ?, ?, ?, ?)", _SYSTEMS)
        for name in ("gpkg_data_columns", "gpkg_data_column_constraints"):
            base.execute(
                "INSERT INTO gpkg_extensions VALUES (?, NULL, 'gpkg_schema', ?, 'read-write')",
                (name, _SCHEMA_EXTENSION),
            )
        for table in tables:
            _add_table(base, table)
        base.commit()


def _add_table(base: sqlite3.Connection, table: Table) -> None:
    columns = ["fid INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL"]
    if table.polygons:
        columns.append(f"{GEOMETRY} MULTIPOLYGON")
    columns += [f'"{c.name}" {c.kind}' for c in table.columns]
    base.execute(f'CREATE TABLE "{table.name}" ({", ".join(columns)})')
    base.execute(
        "INSERT INTO gpkg_contents (table_name, data_type, identifier, description, srs_id)"
        " VALUES (?, ?, ?, ?, ?)",
        (
            table.name,
            "features" if table.polygons else "attributes",
            table.title,
            table.meaning,
            WGS84 if table.polygons else None,
        ),
    )
    if table.polygons:
        base.execute(
            "INSERT INTO gpkg_geometry_columns VALUES (?, ?, 'MULTIPOLYGON', ?, 0, 0)",
            (table.name, GEOMETRY, WGS84),
        )
    base.executemany(
        "INSERT INTO gpkg_data_columns (table_name, column_name, name, title, description)"
        " VALUES (?, ?, ?, ?, ?)",
        # The name must differ from all others of the table, the title need not.
        [(table.name, c.name, c.name, c.title, c.meaning or c.title) for c in table.columns],
    )


def look_into(path: Path) -> sqlite3.Connection:
    """Open a file that nobody changes meanwhile, for reading; nothing is made beside it.

    Raises
    ------
    sqlite3.Error
        If it is no database.
    """
    base = sqlite3.connect(f"file:{quote(str(path.resolve()))}?mode=ro&immutable=1", uri=True)
    base.execute("PRAGMA query_only = ON")
    return base


def is_intact(path: Path, tables: Sequence[Table]) -> bool:
    """Tell whether a file is a GeoPackage that has these tables, with these columns, as it was made."""
    try:
        with closing(look_into(path)) as base:
            if base.execute("PRAGMA application_id").fetchone() != (_APPLICATION,):
                return False
            if base.execute("PRAGMA quick_check(1)").fetchone() != ("ok",):
                return False
            return all(_columns(base, t.name) == _expected(t) for t in tables)
    except sqlite3.Error:
        return False


def _columns(base: sqlite3.Connection, name: str) -> list[str]:
    return [row[1] for row in base.execute(f'PRAGMA table_info("{name}")')]


def _expected(table: Table) -> list[str]:
    return ["fid", *([GEOMETRY] if table.polygons else []), *(c.name for c in table.columns)]


class change:  # noqa: N801 - a context, used like a function
    """Change a file that nobody else has open; in the end the bounds and times of its contents are right.

    The file should be a copy: without a journal a crash leaves it broken.

    Parameters
    ----------
    path : Path
        The file.
    tables : sequence of Table
        Those that may be changed.
    """

    def __init__(self, path: Path, tables: Sequence[Table]) -> None:
        self._path = path
        self._tables = tables

    def __enter__(self) -> sqlite3.Connection:
        self._base = _connect(self._path)
        return self._base

    def __exit__(self, kind: type[BaseException] | None, *_: object) -> None:
        try:
            if kind is None:
                for table in self._tables:
                    _note_change(self._base, table)
                self._base.commit()
        finally:
            self._base.close()


def _connect(path: Path) -> sqlite3.Connection:
    base = sqlite3.connect(path)
    # The file is a copy that takes its place whole: a journal beside it would only be left behind.
    base.execute("PRAGMA journal_mode = DELETE")  # leaves the mode in which a GIS may have had it
    base.execute("PRAGMA journal_mode = MEMORY")
    base.execute("PRAGMA synchronous = OFF")
    return base


def _note_change(base: sqlite3.Connection, table: Table) -> None:
    box: tuple[float | None, ...] = (None,) * 4
    if table.polygons:
        found = base.execute(f'SELECT {GEOMETRY} FROM "{table.name}" WHERE {GEOMETRY} IS NOT NULL')  # noqa: S608 - our own names
        ends = [struct.unpack_from("<4d", blob, 8) for (blob,) in found]
        if ends:
            west, east, south, north = zip(*ends, strict=True)
            box = min(west), min(south), max(east), max(north)
    base.execute(
        "UPDATE gpkg_contents SET last_change = ?, min_x = ?, min_y = ?, max_x = ?, max_y = ?"
        " WHERE table_name = ?",
        (datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%S.%fZ")[:23] + "Z", *box, table.name),
    )


def geometry_blob(geometry: Any, system: int = WGS84) -> bytes:
    """Return a geometry as the standard keeps it (clause 2.1.3): a header with its box, and its WKB.

    Parameters
    ----------
    geometry : shapely geometry
        Not empty.
    system : int
        Number of its reference system.

    Examples
    --------
    >>> geometry_blob(shapely.box(1, 2, 3, 4))[:8].hex()
    '47500003e6100000'
    """
    west, south, east, north = geometry.bounds
    # Flags: little-endian (bit 0), a box of x and y follows (bit 1).
    head = struct.pack("<2sBBi4d", b"GP", 0, 0b0000_0011, system, west, east, south, north)
    body: bytes = shapely.to_wkb(geometry, byte_order=1)
    return head + body
