"""Bridge decks: strips that drop on both sides to ground which goes on, and join the ground at both ends."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from cloudprep.kernels.compiling import njit
from cloudprep.kernels.ground_joins import FAR, patches

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Flags = NDArray[np.bool_]
    Labels = NDArray[np.int32]
    Codes = NDArray[np.uint8]

# Lines across which a strip may lie: steps in rows and columns, some 23 degrees apart.
_LINES = ((0, 1), (1, 2), (1, 1), (2, 1), (1, 0), (2, -1), (1, -1), (1, -2))
# At both ends the surface goes on for so many cells: beyond the bulge of a quarry's bench it ends after five.
_BEYOND = 8.0

# How many cells further a line may go on: parapets and cars stand between, and edges hide a strip of ground.
_ACROSS = 4

# What lies beyond the end of a stretch.
_ELSE, _FALL, _GAP = range(3)

# What the lines through a cell told: nothing, one side out of sight, a drop on both sides.
_MAYBE, _SURE = 1, 2


class Decks(NamedTuple):
    """What a bridge deck is.

    Parameters
    ----------
    fall, steep : float
        On both sides it falls by more than ``fall`` (m), plus ``steep`` times the distance, to ground:
        more than any bank.
    step, rise : float
        The next point of a deck lies at most ``step`` (m) higher or lower, plus ``rise`` times its distance.
    widest : float
        From side to side, m.
    smallest : float
        Area, m2.
    sure : float
        Share of it that must have such a drop on both sides; water beside the rest sends nothing back.
    steepest : float
        Gradient of the plane through it: roads and paths aren't steeper.
    both_ends : float
        It joins the ground at both ends: at the lesser one along this share of the other one's width. A spur
        or the bulge of a bench joins it on one side only.
    """

    fall: float = 1.5
    steep: float = 1.0
    step: float = 0.2
    rise: float = 0.2
    widest: float = 40.0
    smallest: float = 20.0
    sure: float = 0.15
    steepest: float = 0.15
    both_ends: float = 0.4


@njit(nogil=True, cache=True, error_model="numpy")
def _level(
    x: Floats, y: Floats, z: Floats, one: tuple[int, int], other: tuple[int, int], rules: Decks
) -> bool:
    """Tell whether two points go on from each other as a deck does; false if one is missing."""
    most = abs(z[one] - z[other]) - rules.step
    if most <= 0:
        return True
    u, v = x[one] - x[other], y[one] - y[other]
    return bool(most * most <= rules.rise * rules.rise * (u * u + v * v))


@njit(nogil=True, cache=True, error_model="numpy")
def _end(
    x: Floats,
    y: Floats,
    z: Floats,
    ground: Flags,
    inside: Flags,
    at: tuple[int, int],
    ahead: tuple[int, int],
    reach: int,
    rules: Decks,
) -> Any:
    """Return what lies beyond the end of a stretch, and the level of the ground that it falls to."""
    r, c = at
    nothing = True
    for s in range(1, reach + 1):
        r2, c2 = r + s * ahead[0], c + s * ahead[1]
        if r2 < 0 or c2 < 0 or r2 >= z.shape[0] or c2 >= z.shape[1] or not inside[r2, c2]:
            return _ELSE, 0.0
        if np.isnan(z[r2, c2]):
            continue
        nothing &= not ground[r2, c2]
        fall = z[r, c] - z[r2, c2] - rules.fall
        if (
            ground[r2, c2]
            and fall > 0.0
            and fall > rules.steep * np.hypot(x[r, c] - x[r2, c2], y[r, c] - y[r2, c2])
        ):
            return _FALL, z[r2, c2]
    return (_GAP if nothing else _ELSE), 0.0


@njit(nogil=True, cache=True, error_model="numpy")
def _judged(
    x: Floats,
    y: Floats,
    z: Floats,
    ground: Flags,
    inside: Flags,
    one: tuple[int, int],
    other: tuple[int, int],
    ahead: tuple[int, int],
    rules: Decks,
    found: Codes,
) -> bool:
    """Mark the stretch between two cells if it lies between two drops; return whether it surely does."""
    reach = max(1, int(_ACROSS / np.hypot(ahead[0], ahead[1])))
    before, low = _end(x, y, z, ground, inside, one, (-ahead[0], -ahead[1]), reach, rules)
    beyond, low2 = _end(x, y, z, ground, inside, other, ahead, reach, rules)
    what = 0
    if before == _FALL and beyond == _FALL:
        # Below, the ground goes on from side to side.
        if abs(low - low2) <= 0.5 * (min(z[one], z[other]) - max(low, low2)):
            what = _SURE
    elif _ELSE not in (before, beyond):
        what = _MAYBE
    if what:
        r, c = one
        while (r, c) != (other[0] + ahead[0], other[1] + ahead[1]):
            if not np.isnan(z[r, c]):
                found[r, c] = what
            r, c = r + ahead[0], c + ahead[1]
    return what == _SURE


@njit(nogil=True, cache=True, error_model="numpy")
def _across(
    x: Floats,
    y: Floats,
    z: Floats,
    ground: Flags,
    inside: Flags,
    ahead: tuple[int, int],
    cell: float,
    rules: Decks,
    found: Codes,
) -> bool:
    """Cut all lines in one direction into stretches that go on smoothly, and mark those between two drops.

    All lines are followed at once, row by row, so that cells are read in the order in which they lie in
    memory. ``found``, zero before, receives what was found; returned is whether any deck may be there.
    """
    rows, columns = z.shape
    down, right = ahead
    longest = int(rules.widest / (cell * np.hypot(down, right)))
    # Of each line: where its stretch at hand starts (-1: none) and has got to, counted along the line, how
    # high it is there, and whether any of its cells is ground.
    wide = columns + abs(right) * rows
    lines = rows if down == 0 else down * wide
    starts, lasts, grounds = (
        np.full(lines, -1, np.int32),
        np.empty(lines, np.int32),
        np.empty(lines, np.bool_),
    )
    heights = np.empty(lines)
    any_sure = False
    for r in range(rows):
        k0 = 0 if down == 0 else r // down
        line0 = r if down == 0 else (r - k0 * down) * wide - k0 * right + (rows * right if right > 0 else 0)
        last_row = r + down >= rows
        for c in range(columns):
            k = c if down == 0 else k0
            line = line0 if down == 0 else line0 + c
            at_end = last_row or c + right < 0 or c + right >= columns
            start = starts[line]
            if not at_end:  # Mostly, nothing ends here.
                if start < 0:
                    if not np.isnan(z[r, c]):
                        starts[line], lasts[line], grounds[line] = k, k, ground[r, c]
                        heights[line] = z[r, c]
                    continue
                back = k - lasts[line]
                # The first half of the same question, from what is at hand, is enough for most.
                if abs(heights[line] - z[r, c]) - rules.step <= 0 or _level(
                    x, y, z, (r - back * down, c - back * right), (r, c), rules
                ):
                    lasts[line], heights[line] = k, z[r, c]
                    grounds[line] |= ground[r, c]
                    continue
                if back < _ACROSS:
                    continue
            i = k
            while True:
                start, last = starts[line], lasts[line]
                ends = i > k  # At the raster's edge the stretch ends.
                if ends and not (at_end and start >= 0):
                    break
                r2, c2 = r - (k - i) * down, c - (k - i) * right
                if start < 0:
                    if not np.isnan(z[r2, c2]):
                        starts[line], lasts[line], grounds[line] = i, i, ground[r2, c2]
                        heights[line] = z[r2, c2]
                elif not ends:
                    before = r - (k - last) * down, c - (k - last) * right
                    if _level(x, y, z, before, (r2, c2), rules):
                        lasts[line], heights[line] = i, z[r2, c2]
                        grounds[line] |= ground[r2, c2]
                    else:
                        ends = i - last >= _ACROSS
                if ends:
                    # Roofs and crowns aren't taken for ground anyway.
                    if grounds[line] and last - start < longest:
                        one = r - (k - start) * down, c - (k - start) * right
                        other = r - (k - last) * down, c - (k - last) * right
                        if _judged(x, y, z, ground, inside, one, other, ahead, rules, found):
                            any_sure = True
                    # What was passed over may begin another one.
                    starts[line] = -1
                    i = last
                i += 1
    return any_sure


@njit(nogil=True, cache=True, error_model="numpy")
def _moments(x: Floats, y: Floats, z: Floats, label: Labels, sums: Floats) -> None:
    """Add up what the planes through patches need; coordinates from each patch's first cell."""
    for r in range(z.shape[0]):
        for c in range(z.shape[1]):
            if label[r, c] < 0:
                continue
            s = sums[label[r, c]]
            if s[0] == 0:
                s[1], s[2], s[3] = x[r, c], y[r, c], z[r, c]
            u, v, w = x[r, c] - s[1], y[r, c] - s[2], z[r, c] - s[3]
            s[0] += 1.0
            s[4] += u
            s[5] += v
            s[6] += w
            s[7] += u * u
            s[8] += u * v
            s[9] += v * v
            s[10] += u * w
            s[11] += v * w


@njit(nogil=True, cache=True, error_model="numpy")
def _goes_on(
    x: Floats,
    y: Floats,
    z: Floats,
    label: Labels,
    at: tuple[int, int],
    ahead: tuple[int, int],
    rules: Decks,
) -> bool:
    """Tell whether the surface goes on smoothly beyond a patch's cell for some cells."""
    r, c = at
    last_r, last_c = r, c
    s, reached, steps = 1, 0, int(np.ceil(_BEYOND / np.hypot(ahead[0], ahead[1])))
    while s <= steps:
        r2, c2 = r + s * ahead[0], c + s * ahead[1]
        if r2 < 0 or c2 < 0 or r2 >= z.shape[0] or c2 >= z.shape[1] or label[r2, c2] == label[r, c]:
            return False
        if _level(x, y, z, (last_r, last_c), (r2, c2), rules):
            last_r, last_c, reached = r2, c2, s
        s += 1
    return reached >= steps - 1


@njit(nogil=True, cache=True, error_model="numpy")
def _contacts(
    x: Floats,
    y: Floats,
    z: Floats,
    label: Labels,
    ahead: tuple[int, int],
    rules: Decks,
    met: Floats,
) -> None:
    """Count along each patch's rim where the surface goes on, before it and behind it."""
    for r in range(z.shape[0]):
        for c in range(z.shape[1]):
            if label[r, c] >= 0:
                for k, sign in enumerate((1, -1)):
                    if _goes_on(x, y, z, label, (r, c), (sign * ahead[0], sign * ahead[1]), rules):
                        met[label[r, c], k] += 1.0


@njit(nogil=True, cache=True, error_model="numpy")
def _worth_a_look(
    x: Floats, y: Floats, z: Floats, found: Codes, cell: float, rules: Decks, member: Flags
) -> tuple[int, int]:
    """Mark patches that are large enough and surely drop along enough of them; from sure cells outwards.

    Patches are those of :func:`~cloudprep.kernels.ground_joins.patches`. Returns the first row with any, and
    the row after the last.
    """
    rows, columns = z.shape
    seen = np.zeros(z.shape, np.bool_)
    waiting = np.empty(z.size, np.int32)
    most = (FAR * cell) ** 2
    first_row, end_row = rows, 0
    for start in range(z.size):
        if found[start // columns, start % columns] != _SURE or seen[start // columns, start % columns]:
            continue
        seen[start // columns, start % columns] = True
        waiting[0] = start
        count, done, sure = 1, 0, 0
        while done < count:
            r, c = waiting[done] // columns, waiting[done] % columns
            done += 1
            sure += int(found[r, c] == _SURE)
            for r2 in range(max(0, r - 2), min(rows, r + 3)):
                for c2 in range(max(0, c - 2), min(columns, c + 3)):
                    if found[r2, c2] == 0 or seen[r2, c2]:
                        continue
                    d2 = (x[r, c] - x[r2, c2]) ** 2 + (y[r, c] - y[r2, c2]) ** 2
                    if d2 <= most and abs(z[r, c] - z[r2, c2]) <= rules.step + rules.rise * np.sqrt(d2):
                        seen[r2, c2] = True
                        waiting[count] = r2 * columns + c2
                        count += 1
        if count * cell * cell >= rules.smallest and sure >= rules.sure * count:
            for k in range(count):
                r = waiting[k] // columns
                member[r, waiting[k] % columns] = True
                first_row, end_row = min(first_row, r), max(end_row, r + 1)
    return first_row, end_row


def _patches_of_decks(
    x: Floats, y: Floats, z: Floats, found: Codes, ahead: tuple[int, int], cell: float, rules: Decks
) -> Flags:
    """Return the cells of patches of stretches in one direction that are decks."""
    decks = np.zeros(z.shape, bool)
    member = np.zeros(z.shape, bool)
    first, end = _worth_a_look(x, y, z, found, cell, rules, member)
    if end > 0:
        # What lies further away than the surface is asked to go on for has no say.
        around = int(_BEYOND) + 1
        part = slice(max(0, first - around), min(len(z), end + around))
        decks[part] = _decks_among(
            x[part], y[part], z[part], found[part], member[part], ahead, cell=cell, rules=rules
        )
    return decks


def _decks_among(
    x: Floats,
    y: Floats,
    z: Floats,
    found: Codes,
    member: Flags,
    ahead: tuple[int, int],
    *,
    cell: float,
    rules: Decks,
) -> Flags:
    """Return the cells of those patches of some that are decks."""
    label, count = patches(x, y, z, member, cell=cell, step=rules.step, rise=rules.rise)
    sums = np.zeros((count, 12))
    _moments(x, y, z, label, sums)
    n = sums[:, 0]
    u, v, w = (sums[:, k] / n for k in (4, 5, 6))
    # Cells have a width: no division by nothing.
    a, e = (sums[:, k] / n - m * m + cell * cell / 12 for k, m in ((7, u), (9, v)))
    b = sums[:, 8] / n - u * v
    f, g = sums[:, 10] / n - u * w, sums[:, 11] / n - v * w
    gradient = np.hypot(f * e - g * b, g * a - f * b) / (a * e - b * b)
    met = np.zeros((count, 2))
    _contacts(x, y, z, label, (ahead[1], -ahead[0]), rules, met)
    sure = np.bincount(label[(found == _SURE) & member], minlength=count)
    deck = (n * cell * cell >= rules.smallest) & (sure >= rules.sure * n) & (gradient <= rules.steepest)
    deck &= (met.min(axis=1) > 0) & (met.min(axis=1) >= rules.both_ends * met.max(axis=1))
    return np.asarray(np.append(deck, False)[label])


def decks(
    x: Floats,
    y: Floats,
    z: Floats,
    *,
    ground: Flags,
    inside: Flags,
    cell: float,
    rules: Decks | None = None,
    threads: int = 1,
) -> Flags:
    """Find bridge decks.

    Along lines of the raster in eight directions, stretches that go on smoothly are looked for which end on
    both sides above ground on one level. Patches of such stretches of one direction that are no steeper than
    a road and join the ground on both sides of that direction are decks. A way between two upright walls,
    with the ground on both sides some metres below, looks the same from above.

    Parameters
    ----------
    x, y, z : ndarray of float64, shape (rows, columns)
        One point a cell, m; NaN where there is none.
    ground : ndarray of bool, shape (rows, columns)
        Cells that are taken for ground; a deck may be among them or not.
    inside : ndarray of bool, shape (rows, columns)
        What the data cover.
    cell : float
        Side of a cell, m.
    rules : Decks, optional
        The rules.
    threads : int
        Threads to use; the result doesn't depend on them.

    Returns
    -------
    ndarray of bool, shape (rows, columns)
        Cells of decks.
    """
    rules = rules or Decks()

    def along(ahead: tuple[int, int]) -> Flags | None:
        found = np.zeros(z.shape, np.uint8)
        if not _across(x, y, z, ground, inside, ahead, cell, rules, found):
            return None
        return _patches_of_decks(x, y, z, found, ahead, cell, rules)

    decks = np.zeros(z.shape, bool)
    if threads <= 1:
        for one in map(along, _LINES):
            decks |= False if one is None else one
        return decks
    with ThreadPoolExecutor(min(threads, len(_LINES))) as pool:
        for one in pool.map(along, _LINES):
            decks |= False if one is None else one
    return decks
