"""Points and polylines of a DXF drawing as text.

A library's object for each vertex says the same, and took over twenty times as long to write.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

_CLOSED, _IN_SPACE, _VERTEX_IN_SPACE = 1, 8, 32


class Entities:
    """The entities of a drawing's model space, in the order they are added.

    Parameters
    ----------
    handle : int
        The first handle that is free.
    owner : str
        Handle of the model space.

    Attributes
    ----------
    handle : int
        The first handle that is still free.
    text : list of str
        Group codes and values.

    Notes
    -----
    The DXF reference's entities POINT, POLYLINE (3D), VERTEX and SEQEND, as R2000 and later have them.
    """

    def __init__(self, handle: int, owner: str) -> None:
        self.handle = handle
        self.text: list[str] = []
        self._owner = owner

    def add_point(self, place: NDArray[np.float64], layer: str) -> None:
        """Add a point; ``place`` has shape (3,)."""
        x, y, z = place.tolist()
        self.text.append(f"{self._begun('POINT', layer)}100\nAcDbPoint\n 10\n{x}\n 20\n{y}\n 30\n{z}\n")

    def add_polyline(self, places: NDArray[np.float64], layer: str, *, closed: bool) -> None:
        """Add a polyline in space; ``places`` has shape (n, 3), and a closed one ends before its start."""
        line = f"{self.handle:X}"
        self.text.append(
            f"{self._begun('POLYLINE', layer)}100\nAcDb3dPolyline\n 66\n1\n 10\n0.0\n 20\n0.0\n 30\n0.0\n"
            f" 70\n{_IN_SPACE | _CLOSED * closed}\n"
        )
        end = self._begun("SEQEND", layer, owner=line)
        # The same for every vertex but for handle and place.
        before = "  0\nVERTEX\n  5\n"
        between = (
            f"\n330\n{self._owner}\n100\nAcDbEntity\n  8\n{layer}\n"
            "100\nAcDbVertex\n100\nAcDb3dPolylineVertex\n 10\n"
        )
        after = f"\n 70\n{_VERTEX_IN_SPACE}\n"
        self.text += [
            f"{before}{handle:X}{between}{x}\n 20\n{y}\n 30\n{z}{after}"
            for handle, (x, y, z) in enumerate(places.tolist(), self.handle)
        ]
        self.handle += len(places)
        self.text.append(end)

    def _begun(self, kind: str, layer: str, owner: str = "") -> str:
        handle = self.handle
        self.handle += 1
        return f"  0\n{kind}\n  5\n{handle:X}\n330\n{owner or self._owner}\n100\nAcDbEntity\n  8\n{layer}\n"
