"""The turnable view of a thinned cloud: its part of the page, its style, and the scripts that it runs."""

from __future__ import annotations

import base64
import json
from functools import cache
from html import escape
from importlib.resources import files
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from cloudprep.model.classes import class_name
from cloudprep.reporting.colours import HEIGHT_RAMP, KINDS, NOISE, ramp
from cloudprep.reporting.vendored_code import vendored_script
from cloudprep.reporting.view3d_points import kinds_shown, view_points
from cloudprep.reporting.view3d_still import FILLED, FIRST_CAMERA, still_picture

if TYPE_CHECKING:
    from collections.abc import Sequence

    from cloudprep.reporting.view3d_points import CloudSample, Net, ViewPoints

__all__ = ["DrawnView", "drawn_view", "view3d_scripts", "view3d_section", "view3d_style"]

_LIBRARY = "twgl.js"
_TIMES = {1: "as they are", 2: "twice as high", 5: "five times as high"}
_DARKEST = 0.16


class DrawnView(NamedTuple):
    """What takes time to make of a sample, and needs nothing else.

    Attributes
    ----------
    points : ViewPoints
        Its points, prepared.
    net : Net
        What lies below them.
    picture : bytes
        The still picture, a PNG file.
    """

    points: ViewPoints
    net: Net
    picture: bytes


def drawn_view(sample: CloudSample) -> DrawnView | None:
    """Prepare a sample and draw its still picture; None if it has no points."""
    points = view_points(sample)
    if points is None:
        return None
    net = points.net(getattr(sample, "origin", (0.0, 0.0)), float(getattr(sample, "horizontal_unit", 1.0)))
    return DrawnView(points, net, still_picture(points, net))


def view3d_section(
    sample: CloudSample,
    *,
    places: Sequence[tuple[str, float, float, float]] = (),
    total: int | None = None,
    drawn: DrawnView | None = None,
) -> str:
    """Return the turnable view as a part of a page.

    It shows a still picture; its script, where it may run and WebGL 2 is there, puts the view in its place.
    Any element of the page with ``data-look-at="x y z radius"`` (the sample's metres) is shown then, and goes
    there when it is clicked.

    Parameters
    ----------
    sample : CloudSample
        Metres from the site's origin; 150,000 points take two megabytes of the page. Where it has them,
        ``origin``, ``horizontal_unit``, ``vertical_unit`` and ``vertical_name`` of
        :class:`~cloudprep.reporting.sample.Sample` are used.
    places : sequence of (str, float, float, float)
        Short names (a number, say) that stand at places of the view, and where: x, y, z of the sample.
    total : int, optional
        How many points the site has; the sample's ``total`` if left out.
    drawn : DrawnView, optional
        What :func:`drawn_view` made of the sample before; made here if left out.

    Returns
    -------
    str
        HTML. Its style is :func:`view3d_style`; what must be allowed to run is :func:`view3d_scripts`.
    """
    drawn = drawn or drawn_view(sample)
    if drawn is None:
        return '<p class="view3d-message">There are no points to show.</p>\n'
    points, net = drawn.points, drawn.net
    unit = float(getattr(sample, "vertical_unit", 1.0))
    unit_name = str(getattr(sample, "vertical_name", "m"))
    total = total if total is not None else getattr(sample, "total", None)
    low, high = (f"{(h + points.centre[2]) / unit:.1f} {escape(unit_name)}" for h in points.heights)
    data, first, step = points.packed()
    template = (files("cloudprep.reporting") / "view3d.html").read_text("utf-8")
    return template.format(
        picture=base64.b64encode(drawn.picture).decode("ascii"),
        words="The site in perspective, seen from the south-south-west and above, coloured by class",
        times="".join(f'<option value="{n}">{_TIMES[n]}</option>' for n in _TIMES),
        legend=_legend(points),
        low=low,
        high=high,
        stops="".join(
            f'<stop offset="{number / 16:g}" stop-color="{colour}"/>'
            for number, colour in enumerate(_height_colours(17))
        ),
        caption=_caption(len(points.codes), points.left_out, total, net.mesh),
        facts=_json(_facts(sample, points, net, first, step, places, unit_name)),
        points=base64.b64encode(data).decode("ascii"),
        scripts="".join(f"<script>{script}</script>\n" for script in view3d_scripts()),
    )


@cache
def view3d_style() -> str:
    """Return the style of the view, for the page's own ``<style>``."""
    return (files("cloudprep.reporting") / "view3d.css").read_text("utf-8")


@cache
def view3d_scripts() -> tuple[str, ...]:
    """Return the scripts that the view runs, as they stand between ``<script>`` and ``</script>``.

    The same for all pages, so that a page can allow them by their hashes
    (:func:`~cloudprep.reporting.content_policy.content_policy`).
    """
    own = (files("cloudprep.reporting") / "view3d.js").read_text("utf-8")
    return tuple(_for_a_page(script) for script in (vendored_script(_LIBRARY), own))


def _for_a_page(script: str) -> str:
    """Return a script that means the same and doesn't end the element that it stands in."""
    return script.replace("</script", "<\\/script").replace("<!--", "<\\!--")


def _facts(
    sample: CloudSample,
    points: ViewPoints,
    net: Net,
    first: list[float],
    step: list[float],
    places: Sequence[tuple[str, float, float, float]],
    unit_name: str,
) -> dict[str, object]:
    """Return what the script must know."""
    east, north = getattr(sample, "origin", (0.0, 0.0))
    across, up = float(getattr(sample, "horizontal_unit", 1.0)), float(getattr(sample, "vertical_unit", 1.0))
    x, y, z = points.centre
    return {
        "camera": {
            "rim": points.rim().round(3).tolist(),
            "filled": FILLED,
            "radius": float(np.linalg.norm(points.half)),
            "turn": FIRST_CAMERA.turn,
            "tilt": FIRST_CAMERA.tilt,
        },
        "centre": points.centre,
        "classes": [
            {
                "code": code,
                "name": class_name(code),
                "colour": KINDS[kind].colour,
                "noise": kind == NOISE,
            }
            for kind, codes in kinds_shown(points.codes)
            for code in codes
        ],
        "first": first,
        "heights": points.heights,
        "net": net._asdict(),
        "origin": (x + east, y + north, z),
        "places": [{"name": name, "at": (px - x, py - y, pz - z)} for name, px, py, pz in places],
        "ramp": _height_colours(256),
        "sides": [{"name": name, "at": at} for name, at in points.sides()],
        "spacing": points.spacing,
        "step": step,
        "unit": (across, across, up),
        "unitName": unit_name,
    }


def _json(facts: dict[str, object]) -> str:
    """Return JSON that can stand within a ``<script>`` whatever its texts hold."""
    return json.dumps(facts, separators=(",", ":"), allow_nan=False).replace("<", "\\u003c")


def _legend(points: ViewPoints) -> str:
    """Return an item for each kind of points that is there; the boxes are for the script."""
    items = []
    for kind, codes in kinds_shown(points.codes):
        which = "view3d-noise" if kind == NOISE else "view3d-kind"
        box = f'<input type="checkbox" checked data-codes="{" ".join(map(str, codes))}">'
        swatch = (
            '<svg class="view3d-swatch" viewBox="0 0 16 16" aria-hidden="true"><rect x="0.5" y="0.5" '
            f'width="15" height="15" rx="2" fill="{KINDS[kind].colour}" stroke="#5d6873"/></svg>'
        )
        items.append(f'<li class="{which}"><label>{box}{swatch}{escape(KINDS[kind].name)}</label></li>')
    return "".join(items)


def _height_colours(steps: int) -> list[str]:
    """Return the page's colours of heights but for the darkest: slopes darken them once more."""
    colours = ramp(HEIGHT_RAMP, 256)[round(_DARKEST * 255) :]
    chosen = colours[np.rint(np.linspace(0, len(colours) - 1, steps)).astype(np.int64)]
    return [f"#{r:02x}{g:02x}{b:02x}" for r, g, b in chosen]


def _caption(shown: int, left_out: int, total: int | None, mesh: float) -> str:
    text = f"{shown:,} points" if total is None or total <= shown else f"{shown:,} of {total:,} points"
    if total is not None and total > shown + left_out:
        text += ": a sample, in which rare classes and noise have a larger part than in the cloud"
    text += f". The lines below lie where coordinates are multiples of {mesh:g}."
    if left_out:
        text += f" So far away that they aren't shown lie {left_out:,} of the sample."
    return text
