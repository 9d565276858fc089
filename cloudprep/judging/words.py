"""Gates in words: numbers, limits, outcomes, names of flights."""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable

    from cloudprep.judging.outcome import GateRecord, Outcome

OUTCOME_WORDS: dict[Outcome, str] = {
    "passed": "passed",
    "warned": "warning",
    "failed": "FAILED",
    "not_judged": "not judged",
}
WHOLE_RUN = "whole run"


def plain(text: str) -> str:
    """Return a text as one printable line: whatever a file name holds, it does nothing to a reader.

    >>> plain("a" + chr(10) + "b" + chr(27) + ".laz").count(chr(10))
    0
    """
    return "".join(c if c.isprintable() else c.encode("unicode_escape").decode("ascii") for c in text)


def number_text(value: float, *limits: float | None) -> str:
    """Return a number with six digits, or with as many as tell it from limits that it isn't equal to.

    >>> number_text(1234567.0), number_text(0.05), number_text(0.09999999, 0.1, None)
    ('1234567', '0.05', '0.09999999')
    """
    if value.is_integer() and abs(value) < 1e15:
        return f"{value:.0f}"
    text = f"{value:.6g}"
    confused = any(limit is not None and limit != value and f"{limit:.6g}" == text for limit in limits)
    return repr(value) if confused else text


def limits_text(gate: GateRecord) -> str:
    """Return the limits of a gate in words, with their unit."""
    low, high = gate.at_least, gate.at_most
    parts = [
        f"{words} {number_text(limit)}"
        for words, limit in (("at least", low), ("at most", high))
        if limit is not None
    ]
    if low is not None and high is not None:
        parts = [f"between {number_text(low)} and {number_text(high)}"]
    return f"{parts[0]} {gate.unit}".rstrip()


def value_text(gate: GateRecord) -> str:
    """Return the value of a figure in words, with its unit; empty where there is none."""
    if gate.value is None:
        return ""
    return f"{number_text(gate.value, gate.at_least, gate.at_most)} {gate.unit}".rstrip()


def short_names(paths: Iterable[str]) -> dict[str, str]:
    """Return names for flights, as short as they can be and still differ.

    Parameters
    ----------
    paths : iterable of str
        Paths or URLs.

    Examples
    --------
    >>> short_names(["day1/a.laz", "day2/a.laz", "day2/b.laz"])
    {'day1/a.laz': 'day1/a.laz', 'day2/a.laz': 'day2/a.laz', 'day2/b.laz': 'b.laz'}
    """
    parts = {path: path.rstrip("/").split("/") for path in paths}
    found: dict[str, str] = {}
    length = 1
    left = list(parts)
    while left:
        names = {path: "/".join(parts[path][-length:]) or path for path in left}
        often = Counter(names.values())
        sure = [p for p in left if often[names[p]] == 1 or length >= len(parts[p])]
        found.update((p, names[p] if often[names[p]] == 1 else p) for p in sure)
        left = [p for p in left if p not in found]
        length += 1
    return {path: found[path] for path in parts}


def gate_line(gate: GateRecord, names: dict[str, str]) -> str:
    """Return one line about a gate that didn't pass."""
    start = {"warned": "gate warning", "not_judged": "gate not judged"}.get(gate.outcome, "gate")
    flight = f"{names.get(gate.flight, gate.flight)}: " if gate.flight else ""
    why = f" ({gate.why})" if gate.why else ""
    return plain(f"{start}: {flight}{gate.reason}{why}")
