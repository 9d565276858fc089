"""The maps with legends, a scale bar and north."""

from __future__ import annotations

from typing import TYPE_CHECKING

from cloudprep.reporting.markup import Html, el, joined
from cloudprep.reporting.png import data_uri
from cloudprep.reporting.sections.parts import legend, section
from cloudprep.reporting.words import nice_length, plain

if TYPE_CHECKING:
    from collections.abc import Sequence

    from cloudprep.reporting.looking import Finding
    from cloudprep.reporting.maps import Map
    from cloudprep.reporting.markup import Styles
    from cloudprep.reporting.profile import ProfileLine
    from cloudprep.reporting.subject import Subject

# Height of a map at most, in letters: of the first, and of the others.
_TALLEST = (52.0, 34.0)


def map_section(
    subject: Subject, maps: Sequence[Map], found: Sequence[Finding], line: ProfileLine | None, styles: Styles
) -> Html:
    """Return all maps; numbers of places to look at, and the profile's line, lie on the first."""
    marks = _marks(subject, found, line, styles)
    place = subject.gathered.place
    window = subject.gathered.window
    corner = (
        f"All maps have north at the top and the same extent: "
        f"{plain(window.columns * subject.gathered.cell)} m from west to east, "
        f"{plain(window.rows * subject.gathered.cell)} m from south to north. South-western corner: "
        f"{place.east(window.left):,.1f} {place.plan_unit} east, {place.north(window.bottom):,.1f} "
        f"{place.plan_unit} north."
    )
    return section(
        "maps",
        "Maps",
        el("p", corner),
        el(
            "div",
            *(_figure(m, subject, marks if k == 0 else None, styles) for k, m in enumerate(maps)),
            class_="maps",
        ),
    )


def _figure(one: Map, subject: Subject, marks: Html | None, styles: Styles) -> Html:
    window = subject.gathered.window
    ratio = window.columns / window.rows
    tallest = _TALLEST[0 if marks is not None else 1] * ratio
    frame = styles.put(f"aspect-ratio: {window.columns} / {window.rows}; max-width: {tallest:.2f}rem")
    return el(
        "figure",
        el("h3", one.title),
        el(
            "div",
            el("img", src=data_uri(one.png), alt=one.alt, width=window.columns, height=window.rows),
            marks,
            _scale_bar(window.columns * subject.gathered.cell, styles),
            _north(),
            class_=f"map {frame}",
        ),
        legend(one.legend, styles),
        el("figcaption", one.note),
        id=f"map-{one.key}",
        class_="wide" if marks is not None else None,
    )


def _scale_bar(width: float, styles: Styles) -> Html:
    length = nice_length(0.32 * width)
    rule = styles.put(f"width: {100 * length / width:.3f}%")
    return el("div", el("span", f"{plain(length)} m"), class_=f"scale {rule}")


def _north() -> Html:
    return el(
        "svg",
        el("path", d="M10 1 L16 19 L10 15 L4 19 Z"),
        el("text", "N", x=10, y=31, text_anchor="middle"),
        viewBox="0 0 20 33",
        class_="north",
        role="img",
        aria_label="north is up",
    )


def _marks(subject: Subject, found: Sequence[Finding], line: ProfileLine | None, styles: Styles) -> Html:
    window, cell = subject.gathered.window, subject.gathered.cell
    width, height = window.columns * cell, window.rows * cell
    pieces = []
    if line is not None:
        b = line.strip
        # A line thinner than it can be seen is drawn wider.
        rule = styles.put(
            f"left: {100 * (b.x0 - window.left) / width:.2f}%; bottom: "
            f"{100 * (b.y0 - window.bottom) / height:.2f}%; "
            f"width: {100 * b.width / width:.2f}%; height: {100 * b.height / height:.2f}%"
        )
        pieces.append(el("span", class_=f"line {rule}", title="the profile below"))
    for number, finding in enumerate(found, 1):
        left = 100 * (finding.x - window.left) / width
        bottom = 100 * (finding.y - window.bottom) / height
        rule = styles.put(f"left: {left:.2f}%; bottom: {bottom:.2f}%")
        pieces.append(
            el("a", str(number), href=f"#place-{number}", class_=f"pin {rule}", aria_label=f"place {number}")
        )
    return joined(*pieces)
