"""A rigid motion of coordinates: a small turn about a centre, then a shift."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

Three = tuple[float, float, float]
NOWHERE: Three = (0.0, 0.0, 0.0)


@dataclass(frozen=True)
class Motion:
    """Where points go: ``R (p - centre) + centre + shift``.

    Parameters
    ----------
    shift : tuple of float
        East, north, up, m.
    turn : tuple of float
        Rotation vector about the axes east, north, up, radians, right-handed: its length is the angle.
    centre : tuple of float
        East, north, up, m. It stays where it is but for the shift.

    Examples
    --------
    >>> Motion((0.0, 0.0, 0.25)).displacements(np.zeros((1, 3)))
    array([[0.  , 0.  , 0.25]])
    """

    shift: Three = NOWHERE
    turn: Three = NOWHERE
    centre: Three = NOWHERE

    @property
    def rotation(self) -> Floats:
        """The matrix R, shape (3, 3)."""
        return np.eye(3) + self._turning()

    def _turning(self) -> Floats:
        """Return R less the unit matrix, to full precision for small angles (Rodrigues' formula)."""
        x, y, z = self.turn
        angle = math.sqrt(x * x + y * y + z * z)
        if angle == 0.0:
            return np.zeros((3, 3))
        k = np.array([[0, -z, y], [z, 0, -x], [-y, x, 0]]) / angle
        # 1 - cos, without losing digits
        return math.sin(angle) * k + 2 * math.sin(angle / 2) ** 2 * (k @ k)

    def displacements(self, points: Floats) -> Floats:
        """Return by how much points move.

        Parameters
        ----------
        points : ndarray of float64, shape (n, 3)
            Positions less ``centre``, m.

        Returns
        -------
        ndarray of float64, shape (n, 3)
            An axis along which nothing moves is exactly 0.
        """
        moved = np.broadcast_to(np.asarray(self.shift), points.shape)
        return moved + points @ self._turning().T if any(self.turn) else moved.copy()

    def then(self, other: Motion) -> Motion:
        """Return this motion with another one after it, about this centre."""
        away = np.asarray(self.centre) - np.asarray(other.centre)
        shift = other.rotation @ np.asarray(self.shift) + other.displacements(away[None, :])[0]
        return Motion(_three(shift), rotation_vector(other.rotation @ self.rotation), self.centre)

    def inverse(self) -> Motion:
        """Return the motion that undoes this one, about the same centre."""
        back = self.rotation.T
        return Motion(_three(-back @ np.asarray(self.shift)), _three(-np.asarray(self.turn)), self.centre)

    def about(self, centre: Three) -> Motion:
        """Return the same motion, described about another centre."""
        away = np.asarray(centre) - np.asarray(self.centre)
        return Motion(_three(self.displacements(away[None, :])[0]), self.turn, centre)

    def rounded(self) -> Motion:
        """Return it in steps of 1e-8 m and 1e-12 rad: below what counts, above what sums' order does."""
        return Motion(
            _three(np.round(self.shift, 8) + 0.0), _three(np.round(self.turn, 12) + 0.0), self.centre
        )

    def as_dict(self) -> dict[str, Any]:
        """Return plain values: metres and degrees."""
        return {
            "shift": list(self.shift),
            "turn_degrees": [math.degrees(a) for a in self.turn],
            "centre": list(self.centre),
            "rotation": self.rotation.tolist(),
        }


def rotation_vector(matrix: Floats) -> Three:
    """Return the rotation vector of a rotation matrix, angles below half a turn, radians."""
    twice = np.array([matrix[2, 1] - matrix[1, 2], matrix[0, 2] - matrix[2, 0], matrix[1, 0] - matrix[0, 1]])
    sine = float(np.linalg.norm(twice)) / 2
    if sine == 0.0:
        return NOWHERE
    angle = math.atan2(sine, (float(np.trace(matrix)) - 1) / 2)
    return _three(twice * (angle / (2 * sine)))


def _three(values: Any) -> Three:
    x, y, z = (float(v) for v in values)
    return x, y, z
