"""Which flights of a batch belong together: one site each, from what headers tell, so that it is quick."""

from __future__ import annotations

import math
import os
from dataclasses import dataclass
from typing import TYPE_CHECKING

from cloudprep.engine.groups import LARGEST_GAP
from cloudprep.engine.reference import Assumptions, describe, settle, system_key
from cloudprep.engine.tracking import open_with_points
from cloudprep.model.bounds import Bounds
from cloudprep.runs.batch_request import SMALL_GAP

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence
    from pathlib import Path

    from cloudprep.engine.loading import Units
    from cloudprep.runs.batch_record import GroupBy

    # What flights must share to be one site.
    _System = tuple[str | None, Units]

__all__ = ["Grouped", "HeaderFacts", "group_flights", "header_facts", "touching"]

# Nobody flies a site of that size in one file: such a header is wrong, and would join whatever lies within.
_WIDEST = 200_000.0


@dataclass(frozen=True)
class HeaderFacts:
    """What the header of a flight tells a batch.

    Parameters
    ----------
    path : Path
        The file.
    points : int
        How many there are.
    box : Bounds
        Extent, m.
    system : str or None
        What flights of the same reference system share; None where it carries none.
    units : Units
        Of its coordinates.
    named : str
        The reference system for people.
    """

    path: Path
    points: int
    box: Bounds
    system: str | None
    units: Units
    named: str

    @property
    def is_plausible(self) -> bool:
        """Whether a survey may lie so."""
        b = self.box
        sides = (b.x1 - b.x0, b.y1 - b.y0)
        return all(math.isfinite(v) for v in (b.x0, b.y0, b.x1, b.y1)) and all(
            0 <= s <= _WIDEST for s in sides
        )


@dataclass(frozen=True)
class Grouped:
    """Flights in groups, each a site.

    Parameters
    ----------
    groups : tuple of tuple of HeaderFacts
        In the order of their flights' paths.
    notes : tuple of str
        What people should know of how they were grouped.
    """

    groups: tuple[tuple[HeaderFacts, ...], ...]
    notes: tuple[str, ...]


def header_facts(path: Path, said: Assumptions) -> HeaderFacts:
    """Return what a flight's header tells.

    Parameters
    ----------
    path : Path
        The file.
    said : Assumptions
        What holds for flights without a reference system.

    Raises
    ------
    BadInputError
        If the flight can't be used.
    """
    flight = open_with_points(path, probe=False)
    settled = settle(flight, said)
    unit = settled.units.horizontal
    (x0, y0, _), (x1, y1, _) = flight.header_min, flight.header_max
    return HeaderFacts(
        path=path,
        points=flight.count,
        box=Bounds(x0 * unit, y0 * unit, x1 * unit, y1 * unit),
        system=system_key(settled.crs),
        units=settled.units,
        named=describe(settled.crs),
    )


def group_flights(flights: Iterable[HeaderFacts], group_by: GroupBy, gap: float = SMALL_GAP) -> Grouped:
    """Put flights into groups that are a site each.

    Parameters
    ----------
    flights : iterable of HeaderFacts
        In any order: the groups don't depend on it.
    group_by : {"adjacency", "folder", "file"}
        Flights that touch, directly or through others; flights of one folder (but for those that lie farther
        apart than a run takes); or each by itself. Flights of different reference systems are never together.
    gap : float
        Flights so far apart still touch, m.
    """
    ordered = sorted(flights, key=lambda f: os.path.realpath(f.path))
    notes: list[str] = []
    rooms: dict[tuple[str, _System], list[HeaderFacts]] = {}
    systems = _systems(ordered, notes)
    for flight, system in zip(ordered, systems, strict=True):
        room = ""
        if group_by == "file" or (group_by == "adjacency" and not flight.is_plausible):
            room = os.path.realpath(flight.path)
        elif group_by == "folder":
            room = os.path.realpath(flight.path.parent)
        if group_by == "adjacency" and not flight.is_plausible:
            notes.append(
                f"{flight.path.name}: the extent in its header can't be right: taken as a site alone"
            )
        rooms.setdefault((room, system), []).append(flight)
    groups: list[tuple[HeaderFacts, ...]] = []
    for members in rooms.values():
        if group_by == "file" or not all(m.is_plausible for m in members):
            groups.append(tuple(members))
            continue
        parts = touching([m.box for m in members], LARGEST_GAP if group_by == "folder" else gap)
        groups += [tuple(members[i] for i in part) for part in parts]
        if group_by == "folder" and len(parts) > 1:
            notes.append(
                f"{members[0].path.parent}: holds {len(parts)} sites, more than {LARGEST_GAP / 1000:g} km "
                "apart"
            )
    return Grouped(tuple(sorted(groups, key=lambda g: os.path.realpath(g[0].path))), tuple(notes))


def _systems(flights: Sequence[HeaderFacts], notes: list[str]) -> list[_System]:
    """Return what flights must share to be together: a system and units.

    Flights without a system go with the others of their units where those have but one.
    """
    known: dict[Units, dict[str, str]] = {}
    for flight in flights:
        if flight.system is not None:
            known.setdefault(flight.units, {})[flight.system] = flight.named
    found: list[_System] = []
    unsure: list[str] = []
    for flight in flights:
        there = known.get(flight.units, {})
        system = flight.system
        if system is None and len(there) == 1:
            system = next(iter(there))
        elif system is None and len(there) > 1:
            unsure.append(flight.path.name)
        found.append((system, flight.units))
    if unsure:
        notes.append(
            f"{', '.join(unsure)}: no reference system, and the others have several: only grouped among "
            "themselves (--assume-crs says which)"
        )
    kinds = len(set(found))
    if kinds > 1:
        notes.append(f"flights differ in reference system or units ({kinds} kinds): never one site")
    return found


def touching(boxes: Sequence[Bounds], gap: float) -> list[list[int]]:
    """Group boxes that touch, overlap or lie within a gap, directly or through others.

    Boxes are gone through from west to east, and each is held against those only that reach so far.

    Parameters
    ----------
    boxes : sequence of Bounds
        Extents, m.
    gap : float
        m.

    Returns
    -------
    list of list of int
        Indices, ascending in each group; groups in the order of their first.

    >>> touching([Bounds(0, 0, 1, 1), Bounds(9, 0, 10, 1), Bounds(1, 1, 8.5, 2)], 0.5)
    [[0, 1, 2]]
    """
    leader = list(range(len(boxes)))

    def root(i: int) -> int:
        while leader[i] != i:
            leader[i] = leader[leader[i]]
            i = leader[i]
        return i

    reaching: list[int] = []
    for i in sorted(range(len(boxes)), key=lambda k: boxes[k].x0):
        b = boxes[i]
        reaching = [j for j in reaching if boxes[j].x1 + gap >= b.x0]
        for j in reaching:
            a = boxes[j]
            dx, dy = max(b.x0 - a.x1, 0.0), max(a.y0 - b.y1, b.y0 - a.y1, 0.0)
            if dx * dx + dy * dy <= gap * gap:
                one, other = sorted((root(i), root(j)))
                leader[other] = one
        reaching.append(i)
    groups: dict[int, list[int]] = {}
    for i in range(len(boxes)):
        groups.setdefault(root(i), []).append(i)
    return list(groups.values())
