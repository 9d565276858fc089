"""Figures in feet and yards below a table in metres, the same way for all commands that measure."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    Figures = Mapping[str, float | None]


def foot_lines(
    rows: Sequence[tuple[str, Figures]],
    foot: float,
    wide: int,
    names: Sequence[str],
    *,
    kind: str = "area",
    summed: bool = False,
) -> list[str]:
    """Return lines that tell some figures in feet.

    Parameters
    ----------
    rows : sequence of tuple of str and mapping
        Names, and their figures in metres (units in the names).
    foot : float
        Metres in one foot.
    wide : int
        Width of the names.
    names : sequence of str
        Which figures in feet to show, such as ``cut_ft3``.
    kind : str
        What the rows are, for the head.
    summed : bool
        Whether a line with sums of volumes follows, where there are several rows.

    Returns
    -------
    list of str
        A line that says which foot it is, the head, and a line a row.
    """
    from cloudprep.measuring.feet import FOOT_NAMES, in_feet

    lines = [
        f"the same by the {FOOT_NAMES[foot]} ({foot:.10g} m; 27 ft3 are 1 yd3)",
        f"{kind:<{wide}}" + "".join(f"{_head(name):>{_width(name)}}" for name in names),
    ]
    found: list[tuple[str, Figures]] = [(name, in_feet(figures, foot)) for name, figures in rows]
    for name, figures in found:
        cells = (f"{_shown(figures[of], of):>{_width(of)}}" for of in names)
        lines.append(f"{name:<{wide}}" + "".join(cells).rstrip())
    if summed and len(found) > 1:
        sums = {of: sum(figures[of] or 0.0 for _, figures in found) for of in names if _adds_up(of)}
        cells = (f"{_shown(sums[of], of) if of in sums else '':>{_width(of)}}" for of in names)
        lines.append(f"{'all':<{wide}}" + "".join(cells).rstrip())
    return lines


def _head(name: str) -> str:
    kind, _, unit = name.rpartition("_")
    if kind == "interval_95":
        return "+- 95 %"
    return unit if kind == "measured" else f"{kind.replace('_', ' ')} {unit}"


def _width(name: str) -> int:
    return 10 if name.startswith("interval") else max(13, len(_head(name)) + 2)


def _adds_up(name: str) -> bool:
    return name.endswith(("_ft3", "_yd3")) and not name.startswith("interval")


def _shown(value: float | None, name: str) -> str:
    return "-" if value is None else format(value, ",.1f" if name.endswith("_ft2") else ",.2f")
