"""Reads design surfaces and brings them to a terrain's cells: units, axes and reference systems."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pyproj
from pyproj.exceptions import CRSError

from cloudprep.engine.reference import unit_name
from cloudprep.errors import BadInputError, CrsError, UsageError
from cloudprep.io.dxf_read import read_dxf_faces
from cloudprep.io.landxml_read import read_landxml_tin
from cloudprep.io.las.crs import assumed_crs
from cloudprep.io.raster_reading import open_heights
from cloudprep.measuring.designs import FacesDesign, RasterDesign
from cloudprep.measuring.volumes import refuse_other_reference
from cloudprep.model.crs import INTERNATIONAL_FOOT, METRE, US_SURVEY_FOOT

if TYPE_CHECKING:
    from contextlib import ExitStack
    from pathlib import Path

    from numpy.typing import NDArray

    from cloudprep.measuring.designs import Frame

    Floats = NDArray[np.float64]

FACES = (".xml", ".landxml", ".dxf")
"""Endings of files that are read as surfaces of triangles."""
UNITS = {"metre": METRE, "foot": INTERNATIONAL_FOOT, "us_survey_foot": US_SURVEY_FOOT}
"""What ``--design-unit`` takes."""
_HINTED = {**UNITS, "millimetre": 0.001, "centimetre": 0.01}
_SAME = 1e-9
# m; what is farther away is damage, and its products would overflow.
_FARTHEST = 1e9


@dataclass(frozen=True)
class DesignSource:
    """A design as it is given.

    Parameters
    ----------
    path : Path
        LandXML (.xml, .landxml), DXF (.dxf), or a raster of heights.
    surface : str, optional
        Which surface of a LandXML file, or which layer of a drawing.
    crs : str, optional
        ``EPSG:n`` or ``EPSG:n+m``: what reference system it is in.
    unit : str, optional
        ``metre``, ``foot`` (international) or ``us_survey_foot``: plan and heights are in it.
    swapped : bool
        Whether easting and northing stand the other way round in it.
    """

    path: Path
    surface: str | None = None
    crs: str | None = None
    unit: str | None = None
    swapped: bool = False


@dataclass(frozen=True)
class _Given:
    """Faces in the file's own units, and what the file says about them."""

    words: str
    vertices: Floats
    faces: NDArray[np.int64]
    across: float | None
    up: float | None
    system: str
    vertical: str


@dataclass
class DesignReader:
    """Reads one design.

    Parameters
    ----------
    source : DesignSource
        What is given.
    terrain : Frame
        What it is held against.
    notes, warnings : list of str
        Where what was assumed, and what is wrong, is told.
    """

    source: DesignSource
    terrain: Frame
    notes: list[str]
    warnings: list[str]

    def read(self, stack: ExitStack) -> FacesDesign | RasterDesign:
        """Return the design, in metres from the terrain's corner.

        Raises
        ------
        BadInputError
            If the file can't be used, has no faces, or doesn't overlap the terrain; the message says whether
            it would in another unit or with its axes swapped.
        CrsError
            If it is in another reference system, on another vertical datum, or in another unit of the plan.
        UsageError
            If an option doesn't go with the format.
        """
        path, terrain = self.source.path, self.terrain
        if path.suffix.lower() in FACES:
            return self.faces()
        if self.source.swapped or self.source.unit or self.source.surface or self.source.crs:
            raise UsageError(
                f"{path}: --surface, --swap-axes, --design-unit and --design-crs are for LandXML and DXF; a "
                "raster tells them itself"
            )
        raster = open_heights(path)
        refuse_other_reference(terrain, raster)
        self.notes += raster.assumed
        design = RasterDesign(raster, stack.enter_context(raster.opened()), terrain)
        self._refuse_apart(np.reshape(design.bounds, (2, 2)) + self._corner, hints=False)
        return design

    @property
    def _units(self) -> tuple[float, float]:
        crs = self.terrain.crs
        return crs.horizontal_unit or METRE, crs.vertical_unit or METRE

    @property
    def _corner(self) -> Floats:
        return np.array([self.terrain.left, self.terrain.bottom]) * self._units[0]

    def faces(self) -> FacesDesign:
        """Return a design of triangles, in metres from the terrain's corner; see :meth:`read`."""
        path = self.source.path
        given = self._drawing() if path.suffix.lower() == ".dxf" else self._landxml()
        if len(given.faces) == 0:
            raise BadInputError(path, f"{given.words} has no faces")
        self._check_system(given)
        across, up = self._settled_units(given)
        xyz = given.vertices * (across, across, up)
        if self.source.swapped:
            xyz = xyz[:, [1, 0, 2]]
            self.notes.append(f"{path.name}: easting and northing swapped, as you said")
        used = xyz[np.unique(given.faces)]
        if np.abs(used).max() > _FARTHEST:
            raise BadInputError(
                path, f"{given.words} has a corner at {np.abs(used).max():.3g} m: no place on Earth"
            )
        self._refuse_apart(np.array([used[:, :2].min(axis=0), used[:, :2].max(axis=0)]))
        xyz[:, :2] -= self._corner
        design = FacesDesign(given.words, xyz, given.faces, self.terrain.cell * self._units[0])
        if len(design) == 0:
            raise BadInputError(path, f"{given.words}: all of its {len(given.faces):,} faces stand upright")
        if design.upright:
            self.warnings.append(
                f"{path.name}: {design.upright:,} of {len(given.faces):,} faces stand upright or have no "
                "area in plan: left out"
            )
        if design.overlap:
            self.warnings.append(
                f"{path.name}: faces lie over each other on {design.overlap:,.2f} m2; their mean counts there"
            )
        return design

    def _landxml(self) -> _Given:
        path = self.source.path
        if not path.is_file():
            raise BadInputError(path, "no such file")
        tin = read_landxml_tin(path, self.source.surface)
        if tin.invisible:
            self.notes.append(f"{path.name}: {tin.invisible:,} invisible faces are left out")
        unscaled = tin.surface.vertices / (tin.horizontal_unit, tin.horizontal_unit, tin.vertical_unit)
        faces = np.asarray(tin.surface.faces, np.int64)
        words = f"surface '{tin.surface.name}'"
        return _Given(
            words, unscaled, faces, tin.horizontal_unit, tin.vertical_unit, tin.system, tin.vertical_system
        )

    def _drawing(self) -> _Given:
        found = read_dxf_faces(self.source.path, self.source.surface)
        self.notes += found.notes
        words = f"faces on layer '{found.layer}'"
        units = found.horizontal_unit, found.vertical_unit
        return _Given(words, found.vertices, found.faces, *units, found.system, "")

    def _settled_units(self, given: _Given) -> tuple[float, float]:
        """Return metres in one unit of the plan and of heights."""
        name, (across, up) = self.source.path.name, self._units
        if self.source.unit is not None:
            said = UNITS[self.source.unit]
            if given.across is not None and abs(said / given.across - 1) > _SAME:
                self.notes.append(
                    f"{name}: says {unit_name(given.across)}; taken as {unit_name(said)}, as you said"
                )
            return said, said
        if given.across is None:
            self.notes.append(
                f"{name} names no unit: ASSUMED to be in those of {self.terrain.path.name} "
                f"({unit_name(across)}, heights {unit_name(up)}); give --design-unit if that is wrong"
            )
            return across, up
        if abs(given.across / across - 1) > _SAME:
            raise CrsError(
                f"{name} is in {unit_name(given.across)} in plan, {self.terrain.path.name} in "
                f"{unit_name(across)}: bring them together first, or give "
                "--design-unit to have it taken in that unit"
            )
        return given.across, given.across if given.up is None else given.up

    def _check_system(self, given: _Given) -> None:
        """Refuse another reference system or vertical datum; say what is taken for granted."""
        path, terrain = self.source.path, self.terrain
        if self.source.crs is not None:
            said = assumed_crs(self.source.crs)
            theirs = None if said.wkt is None else pyproj.CRS.from_wkt(said.wkt)
            shown, vertical = said.name, ""
            own = _parsed(given.system)
            if own is not None and (theirs is None or _plan(own) != _plan(theirs)):
                self.notes.append(f"{path.name}: says {given.system}; taken to be {shown}, as you said")
        else:
            theirs, shown, vertical = _parsed(given.system), given.system, given.vertical
        if not shown:
            self.notes.append(
                f"{path.name} names no reference system: ASSUMED to be in that of {terrain.path.name} "
                f"({terrain.crs.name})"
            )
            return
        ours = None if terrain.crs.wkt is None else pyproj.CRS.from_wkt(terrain.crs.wkt)
        if ours is None or theirs is None:
            why = f"{terrain.path.name} names none" if ours is None else "that can't be compared"
            self.notes.append(f"{path.name}: is in '{shown}', {why}: taken to be the same")
            return
        if _plan(ours) != _plan(theirs):
            raise CrsError(
                f"{path.name} is in {shown}, {terrain.path.name} in {terrain.crs.name}: bring them together "
                "first"
            )
        self._check_heights(_heights(ours), _heights(theirs), vertical)

    def _check_heights(self, ours: pyproj.CRS | None, theirs: pyproj.CRS | None, named: str) -> None:
        """Refuse another vertical datum; a file may name its own in its own words."""
        name, terrain = self.source.path.name, self.terrain.path.name
        if theirs is None and named:
            theirs = _upright(named)
        said = named if theirs is None else theirs.name
        if ours is not None and said:
            if theirs is None:
                same = named.casefold() in ours.name.casefold() or ours.name.casefold() in named.casefold()
            else:
                same = _datum(theirs) == _datum(ours)
            if not same:
                raise CrsError(
                    f"heights of {name} are on {said}, those of {terrain} on {ours.name}: bring them "
                    "together first (if they are the same, say so with --design-crs EPSG:n+m)"
                )
        elif ours is not None:
            self.notes.append(f"{name} names no vertical datum: ASSUMED to be that of {terrain}, {ours.name}")
        elif said:
            self.notes.append(f"{terrain} names no vertical datum: ASSUMED to be that of {name}, {said}")

    def _refuse_apart(self, box: Floats, *, hints: bool = True) -> None:
        """Refuse a design beside the terrain; say what would bring it there."""
        across, _ = self._units
        side = np.array([self.terrain.columns, self.terrain.rows]) * self.terrain.cell * across
        low, high = self._corner, self._corner + side

        def overlaps(found: Floats) -> bool:
            return bool((found[0] < high).all() and (found[1] > low).all())

        if overlaps(box):
            return
        would: list[str] = []
        for swap in (False, True) if hints else ():
            turned = box[:, ::-1] if swap else box
            for name, unit in {"": 1.0, **_HINTED}.items():
                for factor in {unit, 1 / unit, unit / across} if name else {1.0}:
                    if (swap or name) and overlaps(turned * factor):
                        words = [*(["with its axes swapped (--swap-axes)"] if swap else []),
                                 *([f"{factor:.6g} times as large"] if name else [])]  # fmt: skip
                        would.append(" and ".join(words))
        hint = f"; it would {would[0]}" if would else ""
        if would and "times" in would[0]:
            hint += ": look at its unit (--design-unit)"
        shown = " ".join(f"{v:,.1f}" for v in (box / across).ravel())
        raise BadInputError(
            self.source.path, f"doesn't overlap {self.terrain.path.name}: it lies within {shown}{hint}"
        )


def _parsed(text: str) -> pyproj.CRS | None:
    try:
        return pyproj.CRS.from_user_input(text.replace(" + EPSG:", "+")) if text else None
    except CRSError:
        return None


def _plan(crs: pyproj.CRS) -> str:
    return _code(crs.sub_crs_list[0] if crs.is_compound else crs)


def _heights(crs: pyproj.CRS) -> pyproj.CRS | None:
    return next((p for p in (crs.sub_crs_list or [crs]) if p.is_vertical), None)


def _datum(crs: pyproj.CRS) -> str:
    return crs.name if crs.datum is None else str(crs.datum.name)


def _upright(name: str) -> pyproj.CRS | None:
    """Return a system of heights by the name that a file gives it."""
    try:
        found = pyproj.CRS.from_user_input(name)
    except CRSError:
        return None
    return found if found.is_vertical else None


def _code(crs: pyproj.CRS) -> str:
    code = crs.to_authority(min_confidence=70)
    return ":".join(code) if code else crs.name
