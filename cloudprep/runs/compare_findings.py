"""What a comparison of two runs finds, and how much may differ."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Literal

__all__ = ["Finding", "Tolerances", "percent"]

Verdict = Literal["same", "within", "beyond", "told"]


@dataclass(frozen=True)
class Tolerances:
    """How much two runs may differ before it counts; nothing at all, unless it is said.

    Parameters
    ----------
    labels_changed : float
        Share of a flight's points that may have another class, or another withheld flag.
    dimensions_changed : float
        Share of a flight's points that may have another value of an extra dimension.
    height_difference : float
        By how much a cell of a raster of heights may differ, m.
    value_difference : float
        By how much a cell of any other raster of figures may differ, in its own unit.
    cells_beyond : float
        Share of a raster's cells that may differ by more, have another code, or hold something in one of the
        runs only.
    """

    labels_changed: float = 0.0
    dimensions_changed: float = 0.0
    height_difference: float = 0.0
    value_difference: float = 0.0
    cells_beyond: float = 0.0

    def as_dict(self) -> dict[str, float]:
        """Return them by name."""
        return asdict(self)


@dataclass(frozen=True)
class Finding:
    """One thing that was compared.

    Parameters
    ----------
    about : str
        What: ``labels``, ``raster``, ``input``, ...
    name : str
        Which of them.
    verdict : {"same", "within", "beyond", "told"}
        Nothing differs; it differs within the tolerance, or by more (also where it can't be compared); or it
        differs and there is no tolerance for it: it is only told.
    text : str
        One line.
    """

    about: str
    name: str
    verdict: Verdict
    text: str

    def as_dict(self) -> dict[str, str]:
        """Return it by name."""
        return asdict(self)


def judged(differing: int, of: int, tolerance: float) -> Verdict:
    """Return what to say of so many things that differ."""
    if differing == 0:
        return "same"
    return "within" if differing <= tolerance * of else "beyond"


def percent(part: int, whole: int) -> str:
    """Return a share in words; a share that isn't nothing is never told as nothing.

    >>> percent(1, 3), percent(1, 10_000_000), percent(0, 5)
    ('33.33 %', '1e-05 %', '0 %')
    """
    share = 100 * part / whole if whole else 0.0
    if share and share < 0.01:
        return f"{share:.1g} %"
    return f"{share:.2f} %" if part else "0 %"
