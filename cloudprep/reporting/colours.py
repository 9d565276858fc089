"""The colours of the report: what kinds of points are told apart, and ramps for figures.

They were chosen by search: a hue that says what the thing is where there is one (plants green, water blue),
then lightness and chroma so that the two most alike of eleven are as far apart as they can be, in CIELAB, for
full colour vision and for the three kinds of dichromacy as Machado, Oliveira and Fernandes (2009) simulate
them. The least distance of any two is 26.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray


@dataclass(frozen=True)
class Kind:
    """Class codes that are shown alike.

    Parameters
    ----------
    name : str
        For the legend.
    colour : str
        ``#rrggbb``.
    codes : tuple of int
        Class codes of the LAS standard; those in no kind are shown as the last one.
    """

    name: str
    colour: str
    codes: tuple[int, ...]

    @property
    def rgb(self) -> tuple[int, int, int]:
        """The colour as three bytes."""
        return rgb_of(self.colour)


KINDS = (
    Kind("not classified", "#b1a9b2", (0, 1)),
    Kind("ground", "#f5c658", (2,)),
    Kind("low plants", "#e4f9b3", (3,)),
    Kind("medium plants", "#29b66c", (4,)),
    Kind("high plants", "#09471f", (5,)),
    Kind("buildings", "#650c7a", (6,)),
    Kind("water", "#2068cc", (9,)),
    Kind("roads, rails, bridges", "#615b6a", (10, 11, 17)),
    Kind("wires, masts, structures overhead", "#171624", (13, 14, 15, 16, 19)),
    Kind("noise", "#ec2103", (7, 18)),
    Kind("other classes", "#a7c9fe", ()),
)
NOISE = next(number for number, kind in enumerate(KINDS) if kind.name == "noise")
GROUND = next(number for number, kind in enumerate(KINDS) if kind.name == "ground")
OTHER = len(KINDS) - 1

# Light to dark, one after the other darker, so that they can be read without any hue.
DENSITY_RAMP = ("#f4f1de", "#d6dfc0", "#a9cdb4", "#74b3b0", "#4892ab", "#336d9c", "#2b4880", "#231f4f")
TRUST_RAMP = ("#5b1647", "#97304f", "#cb5a4a", "#eb914f", "#f6c876", "#fbf0c4")
HEIGHT_RAMP = ("#1d1b4c", "#274b8c", "#1f7d98", "#3fa985", "#98cc6a", "#f2e77c")


def rgb_of(colour: str) -> tuple[int, int, int]:
    """Return ``#rrggbb`` as three bytes.

    >>> rgb_of("#ff8000")
    (255, 128, 0)
    """
    return int(colour[1:3], 16), int(colour[3:5], 16), int(colour[5:7], 16)


def kind_of_codes() -> NDArray[np.uint8]:
    """Return the number of the kind of every class code, shape (256,)."""
    table = np.full(256, OTHER, np.uint8)
    for number, kind in enumerate(KINDS):
        table[list(kind.codes)] = number
    return table


def code_colours() -> NDArray[np.uint8]:
    """Return the colour of every class code, shape (256, 3)."""
    colours: NDArray[np.uint8] = np.array([kind.rgb for kind in KINDS], np.uint8)[kind_of_codes()]
    return colours


def ramp(colours: tuple[str, ...], steps: int) -> NDArray[np.uint8]:
    """Return evenly spaced colours of a ramp, shape (steps, 3).

    >>> ramp(("#000000", "#ffffff"), 3).tolist()
    [[0, 0, 0], [128, 128, 128], [255, 255, 255]]
    """
    ends = np.array([rgb_of(c) for c in colours], float)
    at = np.linspace(0.0, len(colours) - 1.0, steps)
    mixed = np.stack([np.interp(at, np.arange(len(colours)), ends[:, k]) for k in range(3)], axis=1)
    out: NDArray[np.uint8] = np.rint(mixed).astype(np.uint8)
    return out
