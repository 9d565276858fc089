"""The turnable view of a thinned cloud: its part of the page, its style, and the scripts that it runs."""

from __future__ import annotations

import base64
import json
from functools import cache
from html import escape
from importlib.resources import files
from typing import TYPE_CHECKING

import numpy as np

from cloudprep.model.classes import class_name
from cloudprep.reporting.colours import HEIGHT_RAMP, KINDS, NOISE, ramp
from cloudprep.reporting.vendored_code import vendored_script
from cloudprep.reporting.view3d_points import kinds_shown, view_points
from cloudprep.reporting.view3d_still import FILLED, FIRST_CAMERA, still_picture

if TYPE_CHECKING:
    from collections.abc import Sequence

    from cloudprep.reporting.view3d_points import CloudSample, Net, ViewPoints

__all__ = ["view3d_scripts", "view3d_section", "view3d_style"]

_LIBRARY = "twgl.js"
_TIMES = (1, 2, 5)
_DARKEST = 0.16
_TEMPLATE = """<div class="view3d" data-view3d>
<div class="view3d-stage">
<img class="view3d-still" src="data:image/png;base64,{picture}" alt="{words}">
<canvas class="view3d-canvas" tabindex="0" role="application" aria-label="{words}"
 aria-describedby="view3d-hint"></canvas>
<svg class="view3d-compass" viewBox="-23 -23 46 46" aria-hidden="true"><circle r="21.5" fill="#ffffff"
 fill-opacity="0.75" stroke="#75828f"/><g class="view3d-needle"><path d="M0 -12 L5 10 L0 6 L-5 10 Z" fill="#1f2a35"/>
<text y="-13" font-size="9" font-weight="700" text-anchor="middle" fill="#1f2a35">N</text></g></svg>
<div class="view3d-scale"><span class="view3d-length"></span><span class="view3d-bar"></span></div>
</div>
<noscript><p>The view can be turned where JavaScript is on; this picture shows the same points.</p></noscript>
<p class="view3d-message" role="status" hidden></p>
<div class="view3d-controls">
<span class="view3d-group view3d-pair" role="group" aria-label="Colours"><span>Colour by</span>
<button type="button" data-colour-by="class" aria-pressed="true">class</button>
<button type="button" data-colour-by="height" aria-pressed="false">height</button></span>
<label>Heights <select data-exaggeration>{times}</select></label>
<span class="view3d-group view3d-pair" role="group" aria-label="Distance">
<button type="button" data-act="nearer" aria-label="nearer">+</button>
<button type="button" data-act="farther" aria-label="farther">&minus;</button></span>
<button type="button" data-act="above">From above</button>
<button type="button" data-act="reset">Reset</button>
</div>
<ul class="view3d-legend" aria-label="Classes">{legend}</ul>
<div class="view3d-ramp"><span>{low}</span><svg viewBox="0 0 100 10" preserveAspectRatio="none"
 aria-hidden="true"><linearGradient id="view3d-heights">{stops}</linearGradient><rect width="100" height="10"
 fill="url(#view3d-heights)"/></svg><span>{high}</span></div>
<p class="view3d-readout" role="status"></p>
<details class="view3d-hint"><summary>How to move in it</summary>
<p id="view3d-hint">Drag to turn, drag with the right button or two fingers to move, use the wheel
 (after a click) or two fingers to come nearer. A click tells what a point is, a double click goes there. Keys: arrows
 turn, Shift and arrows move, + and &minus; change the distance, 0 goes back. The scale holds in the middle of the
 view.</p></details>
<p class="view3d-caption">{caption}</p>
<script type="application/json" class="view3d-facts">{facts}</script>
<script type="text/plain" class="view3d-points">{points}</script>
{scripts}
</div>
"""


def view3d_section(
    sample: CloudSample, *, places: Sequence[tuple[str, float, float, float]] = (), total: int | None = None
) -> str:
    """Return the turnable view as a part of a page.

    It shows a still picture; its script, where it may run and WebGL 2 is there, puts the view in its place.
    Any element of the page with ``data-look-at="x y z radius"`` (the sample's metres) is shown then, and goes
    there when it is clicked.

    Parameters
    ----------
    sample : CloudSample
        Metres from the site's origin; 150,000 points take two megabytes of the page. ``origin``,
        ``horizontal_unit``, ``vertical_unit`` and ``vertical_name`` of :class:`~cloudprep.reporting.sample.Sample`
        are used where it has them.
    places : sequence of (str, float, float, float)
        Short names (a number, say) that stand at places of the view, and where: x, y, z of the sample.
    total : int, optional
        How many points the site has; the sample's ``total`` if left out.

    Returns
    -------
    str
        HTML. Its style is :func:`view3d_style`; what must be allowed to run is :func:`view3d_scripts`.
    """
    points = view_points(sample)
    if points is None:
        return '<p class="view3d-message">There are no points to show.</p>\n'
    unit = float(getattr(sample, "vertical_unit", 1.0))
    unit_name = str(getattr(sample, "vertical_name", "m"))
    total = total if total is not None else getattr(sample, "total", None)
    low, high = (f"{(h + points.centre[2]) / unit:.1f} {escape(unit_name)}" for h in points.heights)
    net = points.net(getattr(sample, "origin", (0.0, 0.0)), float(getattr(sample, "horizontal_unit", 1.0)))
    data, first, step = points.packed()
    return _TEMPLATE.format(
        picture=base64.b64encode(still_picture(points, net)).decode("ascii"),
        words="The site in perspective, seen from the south-south-west and above, coloured by class",
        times="".join(
            f'<option value="{n}">{"as they are" if n == 1 else f"× {n}"}</option>' for n in _TIMES
        ),
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
    return json.dumps(facts, separators=(",", ":")).replace("<", "\\u003c")


def _legend(points: ViewPoints) -> str:
    """Return an item for each kind of points that is there; the boxes are for the script."""
    items = []
    for kind, codes in kinds_shown(points.codes):
        which = "view3d-noise" if kind == NOISE else "view3d-kind"
        items.append(
            f'<li class="{which}"><label><input type="checkbox" checked data-codes="{" ".join(map(str, codes))}">'
            f'<svg class="view3d-swatch" viewBox="0 0 16 16" aria-hidden="true"><rect x="0.5" y="0.5" width="15" '
            f'height="15" rx="2" fill="{KINDS[kind].colour}" stroke="#5d6873"/></svg>'
            f"{escape(KINDS[kind].name)}</label></li>"
        )
    return "".join(items)


def _height_colours(steps: int) -> list[str]:
    """Return the page's colours of heights without their darkest part: in the view, slopes darken them more."""
    colours = ramp(HEIGHT_RAMP, 256)[round(_DARKEST * 255) :]
    chosen = colours[np.rint(np.linspace(0, len(colours) - 1, steps)).astype(np.int64)]
    return [f"#{r:02x}{g:02x}{b:02x}" for r, g, b in chosen]


def _caption(shown: int, left_out: int, total: int | None, mesh: float) -> str:
    text = f"{shown:,} points" if total is None or total <= shown else f"{shown:,} of {total:,} points"
    if total is not None and total > shown + left_out:
        text += ": a sample, in which rare classes and noise have a larger part than in the cloud"
    text += f". The lines below lie where coordinates are multiples of {mesh:g}."
    if left_out:
        text += f" {left_out:,} points of the sample lie so far away that they aren't shown."
    return text
