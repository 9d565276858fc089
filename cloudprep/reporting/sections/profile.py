"""The profile before and after cleaning."""

from __future__ import annotations

from typing import TYPE_CHECKING

from cloudprep.reporting.colours import KINDS
from cloudprep.reporting.markup import Html, Styles, el
from cloudprep.reporting.png import data_uri
from cloudprep.reporting.profile import HIGH, WIDE
from cloudprep.reporting.sections.parts import legend, section
from cloudprep.reporting.words import many, plain, ticks

if TYPE_CHECKING:
    from cloudprep.reporting.profile import ProfileLine, ProfilePictures
    from cloudprep.reporting.subject import Subject


def profile_section(
    subject: Subject, line: ProfileLine | None, pictures: ProfilePictures | None, styles: Styles
) -> Html:
    """Return the section; a sentence where there is nothing to show."""
    if line is None or pictures is None:
        return section("profile", "Profile", el("p", "There are no points to draw a profile of."))
    place = subject.gathered.place
    (x0, y0), (x1, y1) = line.ends
    exaggeration = (line.length / max(pictures.high - pictures.low, 1e-9)) * (HIGH / WIDE)
    words = (
        f"Of all lines of {plain(line.length)} m that run from west to east or from south to north, "
        "this is the one with "
        "most to see: a mixture of noise (which counts twice), of things that stand more than two "
        "metres above the "
        "ground, of changes of class and of steps of the ground (which count half). It runs from "
        f"{place.east(x0):,.1f} east, {place.north(y0):,.1f} north to {place.east(x1):,.1f} east, "
        f"{place.north(y1):,.1f} north ({place.plan_unit}), is {plain(line.width)} m wide and lies on "
        "the relief map. "
    )
    if exaggeration > 1.15:
        words += f"Heights are drawn {plain(exaggeration, 2)} times as large as lengths."
    elif exaggeration < 0.87:
        words += f"Lengths are drawn {plain(1 / exaggeration, 2)} times as large as heights."
    else:
        words += "Heights and lengths are drawn alike."
    gone = (
        "No point in it is noise."
        if not pictures.noise
        else f"{many(pictures.noise, 'noise point')} taken out."
    )
    beyond = (
        f" {many(pictures.beyond, 'noise point')} far above or below are not drawn."
        if pictures.beyond
        else ""
    )
    return section(
        "profile",
        "Profile through the most interesting place",
        el("p", words),
        _plot(
            "Before: all points as the sensor delivered them",
            pictures.before,
            f"Profile of all {many(pictures.points, 'point')}, in one colour",
            line,
            pictures,
            subject,
            styles,
            f"{many(pictures.points, 'point')}.{beyond}",
        ),
        _plot(
            "After: by class, noise taken out",
            pictures.after,
            "The same profile by class, without noise",
            line,
            pictures,
            subject,
            styles,
            gone,
        ),
        legend([(KINDS[k].colour, KINDS[k].name) for k in pictures.kinds], styles),
    )


def _plot(
    title: str,
    png: bytes,
    alt: str,
    line: ProfileLine,
    pictures: ProfilePictures,
    subject: Subject,
    styles: Styles,
    note: str,
) -> Html:
    place = subject.gathered.place
    low, high = place.height(pictures.low), place.height(pictures.high)
    length = line.length
    marks = []
    for value in ticks(low, high, 5):
        rule = styles.put(f"bottom: {100 * (value - low) / (high - low):.2f}%")
        marks.append(el("span", plain(value, max(3, len(f"{abs(value):.0f}"))), class_=f"tick up {rule}"))
        marks.append(el("span", class_=f"rule {rule}"))
    for value in ticks(0.0, length, 5):
        rule = styles.put(f"left: {100 * value / length:.2f}%")
        marks.append(el("span", plain(value), class_=f"tick along {rule}"))
    return el(
        "figure",
        el("h3", title),
        el("div", el("img", src=data_uri(png), alt=alt, width=WIDE, height=HIGH), *marks, class_="plot"),
        el("p", f"metres along the line; heights in {place.unit}", class_="axis-name"),
        el("figcaption", note),
        class_="profile-figure",
    )
