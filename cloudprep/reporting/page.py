"""The page as a whole: gathers, looks, draws, and puts the sections together."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from contextlib import nullcontext
from dataclasses import dataclass
from importlib.resources import files
from typing import TYPE_CHECKING, Any

from cloudprep.model.bounds import Bounds
from cloudprep.reporting.content_policy import content_policy
from cloudprep.reporting.delivered import picked
from cloudprep.reporting.gathered import gather
from cloudprep.reporting.looking import candidates, ranked
from cloudprep.reporting.looking.strays import LOOKED_AROUND
from cloudprep.reporting.maps import all_maps
from cloudprep.reporting.markup import Html, Styles, el, joined
from cloudprep.reporting.profile import most_interesting_line, profile_pictures
from cloudprep.reporting.rasters import Rasters
from cloudprep.reporting.sections.assumed import assumed_section
from cloudprep.reporting.sections.headline import headline_section
from cloudprep.reporting.sections.histograms import histogram_section
from cloudprep.reporting.sections.inputs import inputs_section
from cloudprep.reporting.sections.look_first import look_first_section, view_box
from cloudprep.reporting.sections.maps import map_section
from cloudprep.reporting.sections.parts import section
from cloudprep.reporting.sections.profile import profile_section
from cloudprep.reporting.sections.resolved import caution_section, resolved_section
from cloudprep.reporting.subject import Subject
from cloudprep.reporting.view3d import drawn_view, view3d_scripts, view3d_section, view3d_style

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from cloudprep.reporting.gathered import Gathered
    from cloudprep.reporting.looking import Finding
    from cloudprep.reporting.maps import Map
    from cloudprep.reporting.place import Columns, Place, PointSource
    from cloudprep.reporting.profile import ProfileLine, ProfilePictures
    from cloudprep.reporting.view3d import DrawnView

_SECTIONS = (
    ("result", "What was done"),
    ("look", "Look here first"),
    ("maps", "Maps"),
    ("numbers", "Numbers"),
    ("profile", "Profile"),
    ("view", "3D view"),
    ("assumed", "Assumed, warnings"),
    ("inputs", "Inputs and results"),
    ("pipeline", "Pipeline"),
    ("caution", "Caution"),
)


@dataclass(frozen=True)
class Study:
    """What the page shows of the points, which aren't needed any more.

    Parameters
    ----------
    gathered : Gathered
        Figures of cells, histograms, a sample.
    rasters : Rasters
        What was delivered.
    maps : list of Map
        All maps.
    line : ProfileLine or None
        Where the profile lies.
    pictures : ProfilePictures or None
        The profile.
    found : list of Finding
        Places to look at, by rank.
    sides : list of columns
        Points of the side view of each.
    view : DrawnView or None
        The cloud in perspective.
    """

    gathered: Gathered
    rasters: Rasters
    maps: list[Map]
    line: ProfileLine | None
    pictures: ProfilePictures | None
    found: list[Finding]
    sides: list[Columns]
    view: DrawnView | None = None


@dataclass(frozen=True)
class FirstLook:
    """What is seen of the points alone, whatever else is delivered of them.

    Parameters
    ----------
    gathered : Gathered
        Figures of cells, histograms, a sample.
    view : DrawnView or None
        The cloud in perspective.
    """

    gathered: Gathered
    view: DrawnView | None


def first_look(source: PointSource, place: Place) -> FirstLook:
    """Go over all points of a run once.

    Parameters
    ----------
    source : PointSource
        The points with the classes that the run gave them.
    place : Place
        The site.
    """
    gathered = gather(source, place)
    return FirstLook(gathered, drawn_view(gathered.sample))


def study(
    source: PointSource,
    place: Place,
    record: Mapping[str, Any],
    folder: Path,
    *,
    threads: int = 1,
    seen: FirstLook | None = None,
) -> Study:
    """Go over the points of a run.

    Parameters
    ----------
    source : PointSource
        The points with the classes that the run gave them.
    place : Place
        The site.
    record : mapping
        What is known of the run record by now: ``outputs``, ``inputs``, ``pipeline``.
    folder : Path
        Of the run: rasters are read from it.
    threads : int
        With two or more, the view and the maps are drawn while the rest is looked at.
    seen : FirstLook, optional
        What was seen of the points before.
    """
    gathered = gather(source, place) if seen is None else seen.gathered
    subject = Subject("", record, gathered, Rasters(folder, record))
    with ThreadPoolExecutor(1, thread_name_prefix="pictures") if threads > 1 else nullcontext() as pool:
        view = pool.submit(drawn_view, gathered.sample) if pool is not None and seen is None else None
        maps = pool.submit(all_maps, subject) if pool is not None else None
        line = most_interesting_line(gathered)
        found = candidates(subject)
        # One more look at the points: around each place, and along the profile.
        boxes = [around(f) for f in found]
        looked = source.within([*boxes, *([line.strip] if line is not None else [])])
        near = looked[: len(found)]
        points_of = {(f.rule, f.x, f.y): p for f, p in zip(found, near, strict=True)}
        shown = ranked(found, near, subject)
        sides = [picked(points_of[f.rule, f.x, f.y], view_box(f)) for f in shown]
        pictures = profile_pictures(line, looked[-1]) if line is not None else None
        drawn = seen.view if seen is not None else view.result() if view is not None else None
        pieces = all_maps(subject) if maps is None else maps.result()
        return Study(gathered, subject.rasters, pieces, line, pictures, shown, sides, drawn)


def page(study: Study, record: Mapping[str, Any], name: str) -> str:
    """Return the report of a run as one page that needs nothing else.

    Parameters
    ----------
    study : Study
        What was seen of the points.
    record : mapping
        The run record as plain values. What it says of time and memory isn't shown, its date aside, so
        that the page depends on points and parameters only.
    name : str
        What people call the run.

    Returns
    -------
    str
        HTML.
    """
    subject = Subject(name, record, study.gathered, study.rasters)
    styles = Styles()
    view, view_style, scripts = _view(subject, study.found, study.view)
    body = joined(
        _header(subject),
        el(
            "main",
            headline_section(subject),
            look_first_section(subject, study.found, study.sides),
            map_section(subject, study.maps, study.found, study.line, styles),
            histogram_section(subject, styles),
            profile_section(subject, study.line, study.pictures, styles),
            section("view", "3D view", view),
            assumed_section(subject),
            inputs_section(subject),
            resolved_section(subject),
            caution_section(subject),
        ),
        el(
            "footer",
            f"Made by cloudprep {record.get('versions', {}).get('cloudprep', '')}. Everything is in "
            "this file.",
        ),
    )
    own = (files("cloudprep.reporting") / "report.css").read_text("utf-8")
    style = f"{own}\n{view_style}\n{styles.css()}"
    return _document(f"{name}: report", body, style, scripts)


def around(finding: Finding) -> Bounds:
    """Return what is looked at again around a place, local m."""
    box = view_box(finding)
    half = LOOKED_AROUND if finding.rule == "strays" else 0.0
    return Bounds(
        min(box.x0, finding.x - half),
        min(box.y0, finding.y - half),
        max(box.x1, finding.x + half),
        max(box.y1, finding.y + half),
    )


def _view(
    subject: Subject, shown: list[Finding], drawn: DrawnView | None
) -> tuple[Html, str, tuple[str, ...]]:
    """Return the 3D view, its style and its scripts; places to look at have their numbers in it."""
    places = [(str(number), f.x, f.y, f.z) for number, f in enumerate(shown, 1)]
    view = Html(view3d_section(subject.gathered.sample, places=places, drawn=drawn))
    return view, view3d_style(), view3d_scripts()


def _header(subject: Subject) -> Html:
    started = str(subject.record.get("started", ""))
    return el(
        "header",
        el("h1", f"Report: {subject.name}"),
        el("p", "Run of ", el("time", _date(started), datetime=started), class_="made") if started else None,
        el(
            "nav",
            el("ul", *(el("li", el("a", words, href=f"#{key}")) for key, words in _SECTIONS)),
            aria_label="Sections",
        ),
        class_="top",
    )


def _date(started: str) -> str:
    """Return when a run began, in words.

    >>> _date("2026-03-01T10:20:30+00:00")
    '2026-03-01 10:20 UTC'
    """
    return f"{started[:10]} {started[11:16]} UTC" if started.endswith("+00:00") else started


def _document(title: str, body: Html, style: str, scripts: tuple[str, ...]) -> str:
    """Return a whole page that allows itself its own style and scripts, and nothing else."""
    policy = content_policy(scripts, (style,))
    head = el(
        "head",
        el("meta", charset="utf-8"),
        el("meta", http_equiv="Content-Security-Policy", content=Html(policy)),
        el("meta", name="viewport", content="width=device-width, initial-scale=1"),
        el("meta", name="referrer", content="no-referrer"),
        el("title", title),
        el("style", Html(style)),
    )
    return f"<!DOCTYPE html>\n{el('html', head, el('body', body), lang='en')}\n"
