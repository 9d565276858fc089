"""Reads faces from DXF drawings, whoever wrote them: 3D faces, polyface and polygon meshes, meshes."""

from __future__ import annotations

import math
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from cloudprep.errors import BadInputError, UsageError
from cloudprep.model.crs import INTERNATIONAL_FOOT, METRE, US_SURVEY_FOOT

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from numpy.typing import NDArray

MOST_BYTES = 500_000_000
"""Larger drawings are refused: they are parsed whole, in memory."""
_MOST_FACES = 20_000_000
_UNITS = {
    1: INTERNATIONAL_FOOT / 12, 2: INTERNATIONAL_FOOT, 3: 5280 * INTERNATIONAL_FOOT, 4: 0.001, 5: 0.01,
    6: METRE, 7: 1000.0, 10: 3 * INTERNATIONAL_FOOT, 14: 0.1, 21: US_SURVEY_FOOT,
}  # fmt: skip
_UNPLANE = 1e-3
# What the library lets through where a file is damaged, found by damaging some.
_DAMAGE = (OSError, ValueError, LookupError, TypeError, AttributeError, ArithmeticError, StopIteration)
_SHOWN = 20


@dataclass(frozen=True)
class DxfFaces:
    """Faces as they were found, in the drawing's own units.

    Parameters
    ----------
    layer : str
        The layer of the drawing that holds them.
    vertices : ndarray of float64, shape (n, 3)
        Easting, northing, height.
    faces : ndarray of int64, shape (m, 3)
        Rows of ``vertices``.
    horizontal_unit, vertical_unit : float or None
        Metres in one unit; None where the drawing names none.
    system : str
        Name of the reference system, where a property of the drawing tells it; else empty.
    notes : tuple of str
        What was left out or settled, in words.
    """

    layer: str
    vertices: NDArray[np.float64]
    faces: NDArray[np.int64]
    horizontal_unit: float | None
    vertical_unit: float | None
    system: str = ""
    notes: tuple[str, ...] = ()


def read_dxf_faces(path: Path, layer: str | None = None) -> DxfFaces:
    """Return the faces of a drawing's model space.

    Parameters
    ----------
    path : Path
        A DXF file.
    layer : str, optional
        Which layer of the drawing; by default the only one that holds faces.

    Returns
    -------
    DxfFaces
        Faces with more than three corners are cut into triangles from their first corner.

    Raises
    ------
    UsageError
        If the library that reads drawings isn't installed.
    BadInputError
        If the file can't be read or is too large; if it holds no faces, or several layers do and none is
        named; if a corner isn't finite or isn't there.

    Notes
    -----
    DXF reference, entities 3DFACE, POLYLINE (with the flags of a mesh) and MESH, header variable $INSUNITS,
    from memory. Blocks aren't looked into, so that no reference can swell a small file; meshes to be smoothed
    are read as their control mesh.
    """
    document = _document(path)
    found = _Faces(path, layer)
    inserts = 0
    with _damage_told(path):
        for entity in document.modelspace():
            kind = entity.dxftype()
            inserts += kind == "INSERT"
            found.take(entity, kind)
        header = document.header
        said = {str(name): str(value) for name, value in header.custom_vars}
        unit = _UNITS.get(int(header.get("$INSUNITS", 0) or 0))
    chosen = found.chosen(inserts)
    notes = [*found.notes()]
    if inserts:
        notes.append(f"{path.name}: {inserts} references to blocks aren't looked into")
    return DxfFaces(
        chosen,
        *found.arrays(chosen),
        horizontal_unit=_number(said.get("HORIZONTAL_UNIT_M")) or unit,
        vertical_unit=_number(said.get("VERTICAL_UNIT_M")) or unit,
        system=said.get("REFERENCE_SYSTEM", ""),
        notes=tuple(notes),
    )


def _document(path: Path) -> Any:
    try:
        import ezdxf  # noqa: PLC0415 - optional, and slow to import
    except ImportError as error:
        raise UsageError(f"{path}: drawings need ezdxf: pip install 'cloudprep[dxf]' ({error})") from error
    if not path.is_file():
        raise BadInputError(path, "no such file")
    size = path.stat().st_size
    if size > MOST_BYTES:
        much = f"{size / 1e6:,.0f} MB, more than {MOST_BYTES // 1_000_000} MB"
        raise BadInputError(path, f"has {much}: give the surface as LandXML")
    with _damage_told(path):
        return ezdxf.readfile(path)


@contextmanager
def _damage_told(path: Path) -> Iterator[None]:
    """Turn what the library says of a damaged drawing into one line."""
    import ezdxf  # noqa: PLC0415 - optional, and slow to import

    try:
        yield
    except (ezdxf.DXFError, *_DAMAGE) as error:
        raise BadInputError(path, f"can't be read as DXF: {' '.join(str(error).split())[:200]}") from error


def _number(text: str | None) -> float | None:
    try:
        value = float(text or "")
    except ValueError:
        return None
    return value if 0 < value < 1e6 else None


class _Faces:
    """Gathers faces, each layer apart."""

    def __init__(self, path: Path, wanted: str | None) -> None:
        self.path, self.wanted = path, wanted
        self.layers: dict[str, tuple[list[Any], list[Any]]] = {}
        self.count = self.many = self.unplane = 0

    def take(self, entity: Any, kind: str) -> None:
        layer = str(entity.dxf.layer)
        if self.wanted is not None and layer.casefold() != self.wanted.casefold():
            return
        for corners, faces in self._meshes(entity, kind):
            if not all(math.isfinite(v) for corner in corners for v in corner):
                raise BadInputError(self.path, "has a face with a corner that isn't finite")
            places, made = self.layers.setdefault(layer, ([], []))
            start = len(places)
            places.extend(corners)
            for face in faces:
                if len(face) < 3:
                    continue
                if min(face) < 0 or max(face) >= len(corners):
                    raise BadInputError(self.path, "has a face with a corner that isn't there")
                self._judge(corners, face)
                made.extend(
                    (start + face[0], start + face[i], start + face[i + 1]) for i in range(1, len(face) - 1)
                )
                self.count += len(face) - 2
                if self.count > _MOST_FACES:
                    raise BadInputError(self.path, f"has more than {_MOST_FACES // 1_000_000} million faces")

    def _meshes(self, entity: Any, kind: str) -> Iterator[tuple[list[Any], list[Any]]]:
        if kind == "3DFACE":
            corners = [tuple(getattr(entity.dxf, f"vtx{i}")) for i in range(4)]
            # A triangle has its last corner twice.
            corners = [c for i, c in enumerate(corners) if i == 0 or c != corners[i - 1]]
            if len(corners) > 3 and corners[-1] == corners[0]:
                corners.pop()
            yield corners, [list(range(len(corners)))]
        elif kind == "MESH":
            yield [tuple(v) for v in entity.vertices], [list(f) for f in entity.faces]
        elif kind == "POLYLINE" and (entity.is_poly_face_mesh or entity.is_polygon_mesh):
            from ezdxf.render import MeshBuilder  # noqa: PLC0415 - optional, and slow to import

            try:
                mesh = MeshBuilder.from_polyface(entity)
            except (IndexError, TypeError, ValueError) as error:
                raise BadInputError(self.path, f"has a mesh that can't be read: {error}") from error
            yield [tuple(v) for v in mesh.vertices], [list(f) for f in mesh.faces]

    def _judge(self, corners: list[Any], face: list[int]) -> None:
        if len(face) < 4:
            return
        self.many += 1
        a, b, c, *others = (np.array(corners[k]) for k in face)
        normal = np.cross(b - a, c - a)
        long = float(np.linalg.norm(normal))
        if long > 0 and max(abs(float((d - a) @ normal)) for d in others) > _UNPLANE * long:
            self.unplane += 1

    def chosen(self, inserts: int) -> str:
        if not self.layers:
            where = "" if self.wanted is None else f" on a layer called '{self.wanted}'"
            blocks = f"; it has {inserts} references to blocks: explode them" if inserts else ""
            raise BadInputError(
                self.path, f"holds no faces{where} (3D faces, polyface meshes or meshes){blocks}"
            )
        if len(self.layers) > 1:
            names = ", ".join(f"'{n}'" for n in list(self.layers)[:_SHOWN])
            raise BadInputError(self.path, f"has faces on several layers ({names}): say which")
        return next(iter(self.layers))

    def arrays(self, layer: str) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
        places, faces = self.layers[layer]
        return np.array(places, np.float64).reshape(-1, 3), np.array(faces, np.int64).reshape(-1, 3)

    def notes(self) -> list[str]:
        if not self.unplane:
            return []
        many = f"{self.unplane} of {self.many} faces of four or more corners"
        return [f"{self.path.name}: {many} aren't plane: cut into triangles from their first corner"]
