"""Reads surfaces of triangles from LandXML, whoever wrote it: as a stream, and trusting nothing in it."""

from __future__ import annotations

import math
from array import array
from dataclasses import dataclass, field
from typing import TYPE_CHECKING
from xml.parsers import expat

import numpy as np

from cloudprep.errors import BadInputError
from cloudprep.io.atomic import plain_reason
from cloudprep.model.crs import INTERNATIONAL_FOOT, METRE, US_SURVEY_FOOT
from cloudprep.model.layer import TinSurface

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from numpy.typing import NDArray

_PIECE = 1 << 20
_DEEPEST = 200
_LONGEST_TEXT = 1000
_MOST_ROWS = 200_000_000
_FAMILY = "http://www.landxml.org/schema/LandXML-"
_METRIC = {"millimeter": 0.001, "centimeter": 0.01, "meter": METRE, "kilometer": 1000.0}
_IMPERIAL = {
    "inch": INTERNATIONAL_FOOT / 12,
    "foot": INTERNATIONAL_FOOT,
    "USSurveyFoot": US_SURVEY_FOOT,
    "mile": 5280 * INTERNATIONAL_FOOT,
}


@dataclass(frozen=True)
class LandXmlTin:
    """A surface as it was found.

    Parameters
    ----------
    surface : TinSurface
        Metres from the origin asked for.
    horizontal_unit, vertical_unit : float
        Metres in one unit of the file.
    system : str
        Code or name of the reference system as the file has it; empty where it names none.
    invisible : int
        Faces that the file marks as invisible: left out.
    vertical_system : str
        Name of the system of heights as the file has it; empty where it names none.
    """

    surface: TinSurface
    horizontal_unit: float
    vertical_unit: float
    system: str
    invisible: int
    vertical_system: str = ""


def read_landxml_tin(
    path: Path, name: str | None = None, *, origin: tuple[float, float] = (0.0, 0.0)
) -> LandXmlTin:
    """Return a surface of triangles.

    Parameters
    ----------
    path : Path
        A LandXML file of version 1.0, 1.1 or 1.2.
    name : str, optional
        Which of its surfaces; by default the only one.
    origin : tuple of float
        Global easting and northing of the local zero, m.

    Returns
    -------
    LandXmlTin
        The surface in metres, its faces turned counterclockwise.

    Raises
    ------
    BadInputError
        If the file can't be read; if it declares a document type (entities may be hidden there; LandXML needs
        none), is no LandXML, or isn't well formed; if it has no such surface or several; if a point is no
        three finite numbers or has an id that another has, or a face names points that aren't there.

    Notes
    -----
    A point is "northing easting elevation" (LandXML 1.2, from memory of the schema).
    """
    reader = _Reader(path, name)
    parser = expat.ParserCreate(namespace_separator=" ")
    parser.buffer_text = True
    parser.StartDoctypeDeclHandler = reader.doctype
    parser.StartElementHandler = reader.start
    parser.EndElementHandler = reader.end
    parser.CharacterDataHandler = reader.text
    try:
        with path.open("rb") as file:
            while piece := file.read(_PIECE):
                parser.Parse(piece, False)
            parser.Parse(b"", True)
    except OSError as error:
        raise BadInputError(path, f"can't be read: {plain_reason(error)}") from error
    except (expat.ExpatError, LookupError, ValueError) as error:  # the others: encodings
        raise BadInputError(path, f"isn't well-formed XML: {error}") from error
    return reader.found(origin)


@dataclass
class _Surface:
    """What is known of one surface."""

    name: str
    meaning: str = ""
    kind: str = ""
    ids: array[int] = field(default_factory=lambda: array("q"))
    points: array[float] = field(default_factory=lambda: array("d"))
    faces: array[int] = field(default_factory=lambda: array("q"))
    invisible: int = 0


class _Reader:
    """Takes what the parser meets; nothing is held but the surfaces asked for."""

    def __init__(self, path: Path, wanted: str | None) -> None:
        self.path = path
        self.wanted = wanted
        self.places: list[str] = []
        self.surfaces: list[_Surface] = []
        self.current: _Surface | None = None
        self.across = self.up = METRE
        self.system = self.vertical_system = ""
        self.parts: list[str] | None = None
        self.length = 0
        self.id = ""
        self.shown = True
        self.units_given = False

    def wrong(self, text: str) -> BadInputError:
        return BadInputError(self.path, text)

    def doctype(self, *_: object) -> None:
        raise self.wrong(
            "declares a document type, which LandXML doesn't need and may hide entities: refused"
        )

    def start(self, tag: str, given: dict[str, str]) -> None:
        space, _, name = tag.rpartition(" ")
        if not self.places and (name != "LandXML" or (space and not space.startswith(_FAMILY))):
            raise self.wrong("is no LandXML: its root is another element")
        if len(self.places) >= _DEEPEST:
            raise self.wrong(f"has elements nested more than {_DEEPEST} deep")
        self.places.append(name)
        begin: dict[str, Callable[[dict[str, str]], None]] = {
            "Metric": self._metric,
            "Imperial": self._imperial,
            "CoordinateSystem": self._system,
            "Surface": self._surface,
            "Definition": self._definition,
            "P": self._begin_row,
            "F": self._begin_row,
        }
        if name in begin:
            begin[name](given)

    def _metric(self, given: dict[str, str]) -> None:
        self._set_units(given, _METRIC, "meter", INTERNATIONAL_FOOT)

    def _imperial(self, given: dict[str, str]) -> None:
        self._set_units(given, _IMPERIAL, "foot", None)

    def _set_units(
        self, given: dict[str, str], known: dict[str, float], usual: str, foot: float | None
    ) -> None:
        if self.places[-2:-1] != ["Units"]:
            return
        word = given.get("linearUnit", usual)
        if word not in known:
            raise self.wrong(f"has a linear unit '{word}' that LandXML doesn't know")
        self.across = known[word]
        height = given.get("elevationUnit", "")
        feet = foot if foot is not None else self.across
        heights = {"": self.across, "meter": METRE, "kilometer": 1000.0, "feet": feet, "miles": 5280 * feet}
        if height not in heights:
            raise self.wrong(f"has a unit of heights '{height}' that LandXML doesn't know")
        self.up = heights[height]
        self.units_given = True

    def _system(self, given: dict[str, str]) -> None:
        code = given.get("epsgCode", "")
        name = given.get("name", "") or given.get("horizontalCoordinateSystemName", "")
        self.system = f"EPSG:{code}" if code else name
        self.vertical_system = given.get("verticalCoordinateSystemName", "") or given.get("verticalDatum", "")

    def _surface(self, given: dict[str, str]) -> None:
        if self.places[-2:-1] != ["Surfaces"]:
            return
        surface = _Surface(given.get("name", ""), given.get("desc", ""))
        if self.wanted is None or surface.name == self.wanted:
            self.surfaces.append(surface)
            self.current = surface

    def _definition(self, given: dict[str, str]) -> None:
        if self.current is not None and self.places[-2:-1] == ["Surface"]:
            self.current.kind = given.get("surfType", "TIN")

    def _begin_row(self, given: dict[str, str]) -> None:
        inside = "Pnts" if self.places[-1] == "P" else "Faces"
        if self.current is None or self.places[-4:-1] != ["Surface", "Definition", inside]:
            return
        self.parts, self.length = [], 0
        self.id = given.get("id", "")
        self.shown = given.get("i", "0").strip() not in {"1", "true"}

    def text(self, text: str) -> None:
        if self.parts is not None:
            self.length += len(text)
            if self.length > _LONGEST_TEXT:
                raise self.wrong(f"has a point or face of more than {_LONGEST_TEXT} characters")
            self.parts.append(text)

    def end(self, _: str) -> None:
        name = self.places.pop()
        if name == "Surface" and self.places[-1:] == ["Surfaces"]:
            self.current = None
        if self.parts is None or name not in {"P", "F"} or self.current is None:
            return
        words = "".join(self.parts).split()
        self.parts = None
        if name == "P":
            self._point(self.current, words)
        else:
            self._face(self.current, words)

    def _point(self, surface: _Surface, words: list[str]) -> None:
        try:
            number = int(self.id)
            north, east, up = map(float, words)
        except ValueError:
            raise self.wrong(
                f"has a point (id '{self.id[:20]}') that is no northing, easting and elevation"
            ) from None
        if not (math.isfinite(north) and math.isfinite(east) and math.isfinite(up)):
            raise self.wrong(f"has a point (id {number}) that isn't finite")
        surface.ids.append(self._whole(number))
        surface.points.extend((east, north, up))
        self._few(len(surface.ids))

    def _face(self, surface: _Surface, words: list[str]) -> None:
        if not self.shown:
            surface.invisible += 1
            return
        try:
            a, b, c = map(int, words)
        except ValueError:
            raise self.wrong("has a face that isn't three ids of points") from None
        surface.faces.extend((self._whole(a), self._whole(b), self._whole(c)))
        self._few(len(surface.faces) // 3)

    def _whole(self, number: int) -> int:
        if not 0 <= number < 2**62:
            raise self.wrong("has an id of a point that is negative or huge")
        return number

    def _few(self, count: int) -> None:
        if count > _MOST_ROWS:
            raise self.wrong(f"has more than {_MOST_ROWS // 1_000_000} million points or faces")

    def found(self, origin: tuple[float, float]) -> LandXmlTin:
        """Return the one surface."""
        asked = "no surface" if self.wanted is None else f"no surface called '{self.wanted}'"
        if not self.surfaces:
            raise self.wrong(f"has {asked}")
        if len(self.surfaces) > 1:
            names = ", ".join(f"'{s.name}'" for s in self.surfaces[:20])
            raise self.wrong(f"has several surfaces ({names}): say which")
        surface = self.surfaces[0]
        if not self.units_given:
            raise self.wrong("doesn't say in what units it is")
        if surface.kind != "TIN":
            raise self.wrong(f"surface '{surface.name}' is of the kind '{surface.kind}', not TIN")
        ids = np.frombuffer(surface.ids, np.int64)
        order = np.argsort(ids, kind="stable")
        known = ids[order]
        if (np.diff(known) == 0).any():
            raise self.wrong(f"has two points of the id {known[:-1][np.diff(known) == 0][0]}")
        named = np.frombuffer(surface.faces, np.int64).reshape(-1, 3)
        places = np.searchsorted(known, named)
        there = np.zeros(named.shape, bool)
        if len(known):
            there = known[np.minimum(places, len(known) - 1)] == named
        if not there.all():
            raise self.wrong(f"has a face with a point {named[~there][0]} that isn't there")
        faces = order[places] if len(known) else named
        xyz = np.array(surface.points, np.float64).reshape(-1, 3)
        xyz *= (self.across, self.across, self.up)
        xyz[:, :2] -= origin
        made = TinSurface(surface.name, xyz, _counterclockwise(xyz, faces), surface.meaning)
        return LandXmlTin(made, self.across, self.up, self.system, surface.invisible, self.vertical_system)


def _counterclockwise(xyz: NDArray[np.float64], faces: NDArray[np.int64]) -> NDArray[np.int64]:
    a, b, c = (xyz[k] for k in faces.T)
    clockwise = (b[:, 0] - a[:, 0]) * (c[:, 1] - a[:, 1]) < (b[:, 1] - a[:, 1]) * (c[:, 0] - a[:, 0])
    return np.where(clockwise[:, None], faces[:, ::-1], faces)
