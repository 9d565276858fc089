"""What a person should look at first: a ranked list with small pictures and coordinates."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from cloudprep.model.bounds import Bounds
from cloudprep.reporting.looking import RULES
from cloudprep.reporting.maps import shaded_classes
from cloudprep.reporting.markup import Html, el
from cloudprep.reporting.png import data_uri, palette_png
from cloudprep.reporting.profile import kind_colours, side_view
from cloudprep.reporting.sections.parts import section, table
from cloudprep.reporting.words import nice_length, plain

if TYPE_CHECKING:
    from collections.abc import Sequence

    from cloudprep.reporting.gathered import Gathered
    from cloudprep.reporting.looking import Finding
    from cloudprep.reporting.place import Columns
    from cloudprep.reporting.subject import Subject

_PIXELS = 220


def view_box(finding: Finding) -> Bounds:
    """Return which points the side view of a place shows: a strip from west to east, local m."""
    reach = finding.reach
    deep = max(1.5, 0.12 * reach)
    return Bounds(finding.x - reach, finding.y - deep, finding.x + reach, finding.y + deep)


def look_first_section(subject: Subject, found: Sequence[Finding], points: Sequence[Columns]) -> Html:
    """Return the list.

    Parameters
    ----------
    subject : Subject
        The run.
    found : sequence of Finding
        By rank.
    points : sequence of columns
        What lies in the :func:`view_box` of each.
    """
    if not found:
        body: list[object] = [
            el(
                "p",
                "None of the rules below found a place that stands out. That is no proof that all is right.",
            )
        ]
    else:
        body = [
            el(
                "p",
                "Automatic rules found these places; they may be right or wrong. The score weighs how likely "
                "something is wrong, how much height is at stake and how wide the place is. The numbers "
                "stand on the "
                "relief map below.",
            ),
            el(
                "ol",
                *(_item(k, f, p, subject) for k, (f, p) in enumerate(zip(found, points, strict=True), 1)),
                class_="findings",
            ),
        ]
    rules = table(("Kind of place", "What is looked for"), RULES, caption="The rules behind this list")
    return section("look", "Look here first", *body, el("h3", "The rules"), rules)


def _item(number: int, finding: Finding, points: Columns, subject: Subject) -> Html:
    place = subject.gathered.place
    where = (
        f"{place.east(finding.x):,.1f} {place.plan_unit} east, {place.north(finding.y):,.1f} "
        f"{place.plan_unit} north, "
        f"height {place.height(finding.z):,.1f} {place.unit}"
    )
    plan = plan_picture(subject.gathered, finding)
    side, (low, high) = side_view(points, (finding.x, finding.y), finding.reach, True, _PIXELS)
    wide = plain(nice_length(2 * finding.reach))
    tall = plain((high - low) / place.vertical_unit, 2)
    return el(
        "li",
        el(
            "div",
            el("h3", el("span", str(number), class_="rank"), f" {finding.title}"),
            el("p", finding.reason),
            *(el("p", text, class_="also") for text in finding.also),
            el("p", where, class_="where"),
            el("p", f"score {finding.score} of 100", class_="score"),
            # For the 3D view's script, which shows it.
            el(
                "button",
                "Show in the 3D view",
                type="button",
                hidden=True,
                class_="look",
                data_look_at=f"{finding.x:.2f} {finding.y:.2f} {finding.z:.2f} {finding.reach:.0f}",
                aria_label=f"Show place {number} in the 3D view",
            ),
            class_="words",
        ),
        el(
            "figure",
            _picture(plan, f"Place {number} from above, by class, {plain(2 * finding.reach)} m wide"),
            el("figcaption", f"from above, {plain(2 * finding.reach)} m"),
        ),
        el(
            "figure",
            _picture(
                palette_png(side, kind_colours()),
                f"Place {number} from the south: points by class, {wide} m wide and {tall} {place.unit} high",
            ),
            el("figcaption", f"from the south, {tall} {place.unit} high"),
        ),
        id=f"place-{number}",
    )


def _picture(png: bytes, alt: str) -> Html:
    return el("img", src=data_uri(png), alt=alt, width=_PIXELS, height=_PIXELS)


def plan_picture(gathered: Gathered, finding: Finding) -> bytes:
    """Return a place from above, by class and shaded, with a cross of gaps about its middle."""
    window, cell = gathered.window, gathered.cell
    middle = np.array([(finding.x - window.left) / cell, (finding.y - window.bottom) / cell])
    reach = max(finding.reach / cell, 2.0)
    at = (np.arange(_PIXELS) + 0.5) / _PIXELS * 2.0 - 1.0
    columns = np.floor(middle[0] + at * reach).astype(np.int64)
    rows = np.floor(middle[1] + at * reach).astype(np.int64)
    c0, c1 = max(int(columns[0]), 0), min(int(columns[-1]) + 1, window.columns)
    r0, r1 = max(int(rows[0]), 0), min(int(rows[-1]) + 1, window.rows)
    part, colours = shaded_classes(gathered, slice(r0, r1), slice(c0, c1))
    inside_c, inside_r = (columns >= c0) & (columns < c1), (rows >= r0) & (rows < r1)
    picture = np.zeros((_PIXELS, _PIXELS), np.uint8)
    picture[np.ix_(inside_r, inside_c)] = part[np.ix_(rows[inside_r] - r0, columns[inside_c] - c0)]
    mark = len(colours)
    colours = np.concatenate([colours, [(0, 0, 0), (255, 255, 255)]]).astype(np.uint8)
    x, y = np.meshgrid(np.arange(_PIXELS) - _PIXELS / 2 + 0.5, np.arange(_PIXELS) - _PIXELS / 2 + 0.5)
    near, far = np.minimum(np.abs(x), np.abs(y)), np.maximum(np.abs(x), np.abs(y))
    arms = (far > 14) & (far < 30)
    picture[arms & (near < 3)] = mark + 1
    picture[arms & (near < 1.5) & (far > 15) & (far < 29)] = mark
    return palette_png(picture, colours)
