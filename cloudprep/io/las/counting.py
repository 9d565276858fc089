"""How many points a file holds: what its header promises, held against what is there."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from cloudprep.io.las.header import HeaderError

if TYPE_CHECKING:
    from cloudprep.io.las.header import PublicHeader


@dataclass(frozen=True)
class Present:
    """How many points there are bytes for: between ``fewest`` and ``most``."""

    fewest: int
    most: int

    def agrees(self, count: int) -> bool:
        """Tell whether the bytes are those of exactly so many points."""
        return self.fewest <= count <= self.most


def settle_count(header: PublicHeader, present: Present) -> tuple[int, tuple[str, ...]]:
    """Return how many points to read, and what is odd about it.

    LAS 1.4 has a 32-bit and a 64-bit count. Where a 32-bit one that isn't zero disagrees, the standard has
    readers use it (ASPRS LAS 1.4-R15, "Legacy Number of Point Records"); but where only one of the two agrees
    with the bytes that are there, that one is right.

    Parameters
    ----------
    header : PublicHeader
        What the file says.
    present : Present
        What is there.

    Returns
    -------
    count : int
        Points to read.
    warnings : tuple of str
        Contradictions.

    Raises
    ------
    HeaderError
        If the header promises more points than are there, or none although there are some.
    """
    promised, warnings = _promised(header, present)
    if promised > present.most:
        raise HeaderError(
            f"the file is cut short or its header is wrong: it promises {promised:,} points,"
            f" {_amount(present)} are there"
        )
    if promised == 0 and present.most > 0:
        raise HeaderError(
            f"the header says 0 points, yet the bytes of {_amount(present)} follow:"
            " the program that wrote the file was stopped before it finished"
        )
    if promised < present.fewest:
        words = (
            f"the header promises {promised:,} points and the file holds {_amount(present)};"
            " only the promised ones are used"
        )
        warnings = (*warnings, words)
    if promised == 0:
        warnings = (*warnings, "the file holds no points")
    return promised, warnings


def _promised(header: PublicHeader, present: Present) -> tuple[int, tuple[str, ...]]:
    narrow, wide = header.legacy_count, header.count
    if wide is None:
        return narrow, ()
    if narrow in {0, wide}:
        return wide, ()
    use_wide = (present.agrees(wide) and not present.agrees(narrow)) or narrow > present.most >= wide > 0
    used = wide if use_wide else narrow
    words = f"the header's 32-bit count says {narrow:,} points, its 64-bit count {wide:,}; {used:,} are used"
    return used, (words,)


def _amount(present: Present) -> str:
    if present.fewest == present.most:
        return f"{present.most:,}"
    return f"{present.fewest:,} to {present.most:,}"
