"""All rules together: places weighed against each other, and spread over the site."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

from cloudprep.reporting.looking import roofs, seams, strays, thin

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from cloudprep.reporting.looking.finding import Finding
    from cloudprep.reporting.place import Columns
    from cloudprep.reporting.subject import Subject

MOST = 10
# So many are looked at again with their points, of which the best are shown.
_LOOKED_AT, _LOOKED_AT_OF_ONE_RULE = 40, 24
_OF_ONE_RULE = 4
# What weighs less isn't worth anybody's way there.
_LEAST_WEIGHT = 0.35

RULES: tuple[tuple[str, str], ...] = (
    (roofs.TITLE, roofs.RULE),
    (strays.TITLE, strays.RULE),
    (thin.TITLES[thin.TREES], thin.RULES[thin.TREES]),
    (seams.TITLE, seams.RULE),
    (thin.TITLES[thin.UNSURE], thin.RULES[thin.UNSURE]),
    (thin.TITLES[thin.ERRORS], thin.RULES[thin.ERRORS]),
)
FINDERS: tuple[Callable[[Subject], Iterator[Finding]], ...] = (
    roofs.find,
    strays.find,
    thin.find_trees,
    seams.find,
    thin.find_unsure,
    thin.find_errors,
)
"""Each looks for places of one rule; they know nothing of each other."""


def spread(found: Sequence[Finding], subject: Subject) -> list[Finding]:
    """Return the places that are worth a second look, of those that all finders found."""
    return _spread(found, subject, _LOOKED_AT, _LOOKED_AT_OF_ONE_RULE)


def ranked(found: Sequence[Finding], points: Sequence[Columns], subject: Subject) -> list[Finding]:
    """Return what is shown: the places once their points were looked at, by weight.

    Parameters
    ----------
    found : sequence of Finding
        What :func:`spread` returned.
    points : sequence of columns
        The points around each of them.
    subject : Subject
        The run.
    """
    seen: list[Finding] = []
    for finding, around in zip(found, points, strict=True):
        if finding.rule == strays.KEY:
            held = strays.looked_at(finding, around, subject.gathered.place)
            if held is not None:
                seen.append(held)
        else:
            seen.append(finding)
    return _spread(seen, subject, MOST, _OF_ONE_RULE)


def _spread(found: Sequence[Finding], subject: Subject, most: int, of_one_rule: int) -> list[Finding]:
    """Return places by weight; what lies close to a weightier one is told there; no rule fills the list."""
    bounds = subject.gathered.place.bounds
    least = min(max(8.0, 0.03 * math.hypot(bounds.width, bounds.height)), 60.0)
    taken: list[Finding] = []
    for finding in sorted(found, key=lambda f: (-f.weight, f.rule, f.x, f.y)):
        if finding.weight < _LEAST_WEIGHT:
            break
        close = [k for k, t in enumerate(taken) if math.hypot(t.x - finding.x, t.y - finding.y) < least]
        if close:
            one = taken[close[0]]
            if finding.rule != one.rule and finding.reason and finding.reason not in one.also:
                taken[close[0]] = replace(one, also=(*one.also, finding.reason)[:3])
            continue
        if len(taken) < most and sum(t.rule == finding.rule for t in taken) < of_one_rule:
            taken.append(finding)
    return taken
