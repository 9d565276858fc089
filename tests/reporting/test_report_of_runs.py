"""The report of whole runs: there, whole, safe, and the same however the run was carried out."""

from __future__ import annotations

import itertools
import json
import re
from dataclasses import fields
from html.parser import HTMLParser
from pathlib import Path

import laspy
import numpy as np
import pytest
from pyproj import CRS

from cloudprep.config import load_pipeline
from cloudprep.engine.progress import Silent
from cloudprep.engine.run import RunRequest, run_site
from cloudprep.measuring.align import AlignReport
from cloudprep.measuring.change import ChangeReport
from cloudprep.measuring.checkpoints import CheckpointReport
from cloudprep.measuring.design import DesignReport
from cloudprep.measuring.section import SectionReport
from cloudprep.measuring.volumes import VolumeReport
from cloudprep.testing import example_cloud

ATTACK = "<img src=x onerror=alert(1)>\"&'<script>alert(2)</script>"
PIPELINE = """
cloudprep: 1
stages:
  - stage: statistical_outliers
  - stage: simple_morphological
  - stage: terrain_grid
    cell: 1.0
"""


class Page(HTMLParser):
    """What stands in a page: elements with their attributes, and texts."""

    def __init__(self, html: str) -> None:
        super().__init__(convert_charrefs=True)
        self.elements: list[tuple[str, dict[str, str | None]]] = []
        self.texts: list[str] = []
        self.open: list[str] = []
        self.feed(html)

    def handle_starttag(self, tag, attrs):
        self.elements.append((tag, dict(attrs)))
        if tag not in ("meta", "img", "br", "link", "input", "rect", "circle", "path", "line"):
            self.open.append(tag)

    def handle_endtag(self, tag):
        if tag in self.open:
            while self.open.pop() != tag:
                pass

    def handle_data(self, data):
        if not self.open or self.open[-1] not in ("script", "style"):
            self.texts.append(data)

    def named(self, tag):
        return [attributes for name, attributes in self.elements if name == tag]

    @property
    def text(self):
        return " ".join(" ".join(self.texts).split())


def write(path, columns, *, scale=0.001, east=412_000.0, north=5_654_000.0, unit=1.0, crs=None):
    header = laspy.LasHeader(point_format=6, version="1.4")
    header.scales = np.full(3, scale)
    header.offsets = np.array([east / unit, north / unit, 0.0])
    header.add_crs(CRS.from_user_input(crs or "EPSG:32632"))
    cloud = laspy.LasData(header)
    cloud.x, cloud.y = (columns["x"] + east) / unit, (columns["y"] + north) / unit
    cloud.z = columns["z"] / unit
    for name in ("return_number", "number_of_returns", "intensity", "point_source_id"):
        if name in columns:
            setattr(cloud, name, columns[name])
    cloud.write(str(path))
    return path


def pipeline_of(folder, text=PIPELINE):
    path = Path(folder) / "pipeline.yaml"
    path.write_text(text, encoding="utf-8")
    return load_pipeline(str(path))


def run(folder, inputs, out="out", text=PIPELINE, **options):
    request = RunRequest(pipeline_of(folder, text), tuple(str(i) for i in inputs), folder / out, **options)
    return run_site(request, Silent())


def report(folder, out="out"):
    return (folder / out / "report.html").read_text(encoding="utf-8")


def without_time(html):
    """Return a page without the only thing in it that depends on when the run was."""
    return re.sub(r"<time .*?</time>", "", html)


@pytest.fixture(scope="module")
def done(tmp_path_factory):
    """Give a finished run of two flights, one with a name that means to break the page."""
    folder = tmp_path_factory.mktemp("report")
    columns = example_cloud()
    half = columns["x"] < np.median(columns["x"])
    first = {n: v[half] for n, v in columns.items()}
    second = {n: v[~half] for n, v in columns.items()}
    name = ATTACK.replace("/", "\u2215")
    write(folder / "a.laz", first)
    write(folder / f"{name}.laz", second)
    gates = (
        "gates:\n  - figure: noise.share\n    at_most: 0.5\n  - figure: ground.share\n    at_least: 0.999\n"
    )
    outcome = run(folder, [folder / "a.laz", folder / f"{name}.laz"], text=PIPELINE + gates)
    return folder, outcome


def test_the_record_names_the_page_with_its_checksum(done):
    folder, outcome = done
    import hashlib

    (made,) = [o for o in outcome.record["outputs"] if o["kind"] == "report"]
    assert made["path"] == "report.html"
    assert made["sha256"] == hashlib.sha256((folder / "out" / "report.html").read_bytes()).hexdigest()
    assert json.loads((folder / "out" / "run.json").read_text())["outputs"] == outcome.record["outputs"]


def test_record_page_and_rasters_say_who_must_check_figures(done):
    """One sentence, as the README and every measurement have it."""
    import rasterio

    sentence = (
        "Figures for payment, safety, slopes and legal boundaries need checking by licensed practice under "
        "local rules."
    )
    out = done[0] / "out"
    assert json.loads((out / "run.json").read_text(encoding="utf-8"))["caution"].endswith(sentence)
    assert sentence in Page(report(done[0])).text
    rasters = sorted(out.rglob("*.tif"))
    assert rasters
    for path in rasters:
        with rasterio.open(path) as file:
            assert sentence in file.tags()["CAUTION"], path
    readme = Path(__file__).parents[2] / "README.md"
    assert sentence in " ".join(readme.read_text(encoding="utf-8").split())
    for kind in (AlignReport, ChangeReport, CheckpointReport, DesignReport, SectionReport, VolumeReport):
        (caution,) = (f.default for f in fields(kind) if f.name == "caution")
        assert caution.endswith(sentence), kind


def test_nothing_in_a_file_name_becomes_a_part_of_the_page(done):
    page = Page(report(done[0]))
    assert [a for a in page.named("img") if a.get("src") == "x"] == []
    for _, attributes in page.elements:
        assert not any(name.startswith("on") for name in attributes)
    scripts = [a for a in page.named("script") if a.get("type") not in ("application/json", "text/plain")]
    assert len(scripts) == 2  # those of the 3D view
    assert "<img src=x onerror=alert(1)>" in page.text  # shown as the text that it is


def test_the_page_allows_nothing_but_its_own(done):
    html = report(done[0])
    page = Page(html)
    (policy,) = [a["content"] for a in page.named("meta") if a.get("http-equiv") == "Content-Security-Policy"]
    assert "default-src 'none'" in policy
    assert "unsafe" not in policy
    assert "http" not in policy
    for tag, attributes in page.elements:
        assert "style" not in attributes, tag  # the policy would not let it style
        for name in ("src", "href", "xlink:href", "action", "data"):
            value = attributes.get(name)
            assert value is None or value.startswith(("data:image/png;base64,", "#")), (tag, name)
    assert len(html.encode()) < 10_000_000


def test_the_page_can_be_read_by_everybody(done):
    page = Page(report(done[0]))
    assert page.named("html")[0]["lang"] == "en"
    assert all(a.get("alt") for a in page.named("img"))
    heads = [int(tag[1]) for tag, _ in page.elements if re.fullmatch("h[1-6]", tag)]
    assert heads[0] == 1
    assert heads.count(1) == 1
    assert all(b - a <= 1 for a, b in itertools.pairwise(heads))
    assert len(page.named("table")) == len(page.named("caption")) == len(page.named("thead"))
    assert all(a.get("scope") in ("row", "col") for a in page.named("th"))
    links = {a["href"][1:] for a in page.named("a")}
    assert links <= {a["id"] for _, a in page.elements if "id" in a}


def test_gates_are_told_in_words(done):
    text = Page(report(done[0])).text
    assert "1 of 2 gates failed." in text
    assert "at least 0.999" in text


def test_the_page_depends_on_points_and_parameters_only(done, tmp_path):
    folder, _ = done
    inputs = sorted(folder.glob("*.laz"), reverse=True)  # as they were given
    gates = (
        "gates:\n  - figure: noise.share\n    at_most: 0.5\n  - figure: ground.share\n    at_least: 0.999\n"
    )
    run(tmp_path, inputs, text=PIPELINE + gates, memory=400_000_000, block_points=700, workers=1)
    assert without_time(report(tmp_path)) == without_time(report(folder))


def test_made_again_from_what_was_delivered_it_is_the_same(done, tmp_path):
    from cloudprep.runs.report_again import report_again

    folder, _ = done
    again = report_again(folder / "out", tmp_path / "again.html").read_text(encoding="utf-8")
    mine, theirs = Page(again), Page(report(folder))
    sections = [
        [a["src"] for a in page.named("img") if a.get("class") != "view3d-still"] for page in (mine, theirs)
    ]
    # Maps and profile come out the same; the page made again lists itself among the files.
    assert len(sections[0]) == len(sections[1])
    assert sum(a == b for a, b in zip(*sections, strict=True)) >= len(sections[0]) - 2


def test_a_report_that_fails_doesnt_fail_the_run(tmp_path, monkeypatch):
    import cloudprep.reporting.page as made

    def broken(*_):
        raise ValueError("no ink left")

    monkeypatch.setattr(made, "page", broken)
    outcome = run(tmp_path, [write(tmp_path / "a.laz", example_cloud())])
    assert outcome.exit_code == 0
    assert [w for w in outcome.record["warnings"] if "no ink left" in w]
    assert not (tmp_path / "out" / "report.html").exists()
    assert (tmp_path / "out" / "terrain" / "dtm.tif").exists()


@pytest.mark.parametrize("how", ["option", "pipeline"])
def test_no_report_where_none_is_wanted(tmp_path, how):
    text = PIPELINE + ("output:\n  report: false\n" if how == "pipeline" else "")
    flight = write(tmp_path / "a.laz", example_cloud())
    run(tmp_path, [flight], text=text, **({"report": False} if how == "option" else {}))
    assert not (tmp_path / "out" / "report.html").exists()


@pytest.mark.parametrize("count", [1, 2, 3])
def test_a_handful_of_points_has_a_report(tmp_path, count):
    columns = {n: v[:count] for n, v in example_cloud().items()}
    text = "cloudprep: 1\nstages:\n  - stage: statistical_outliers\n"
    outcome = run(tmp_path, [write(tmp_path / "a.laz", columns)], text=text)
    assert [w for w in outcome.record["warnings"] if "report" in w] == []
    assert f"1 input with {count} point" in Page(report(tmp_path)).text


def test_without_ground_and_noise_it_says_so(tmp_path):
    text = "cloudprep: 1\nstages:\n  - stage: isolated_clusters\n    gap: 100.0\n"
    outcome = run(tmp_path, [write(tmp_path / "a.laz", example_cloud())], text=text)
    assert [w for w in outcome.record["warnings"] if "report" in w] == []
    assert "No point is labelled ground." in Page(report(tmp_path)).text


def test_heights_are_told_in_the_unit_of_the_clouds(tmp_path):
    columns = example_cloud()
    crs = "EPSG:2263+6360"  # US survey feet in plan and height (NGA/EPSG registry)
    unit = 1200 / 3937
    flight = write(tmp_path / "a.laz", columns, unit=unit, crs=crs, east=300_000.0, north=60_000.0)
    outcome = run(tmp_path, [flight])
    assert [w for w in outcome.record["warnings"] if "report" in w] == []
    text = Page(report(tmp_path)).text
    assert "ftUS, noise aside" in text


def test_tiles_noise_dropped_and_a_boundary(tmp_path):
    import pyogrio
    import shapely

    columns = example_cloud()
    x0, x1 = np.quantile(columns["x"], [0.1, 0.6]) + 412_000
    y0, y1 = np.quantile(columns["y"], [0.1, 0.9]) + 5_654_000
    pyogrio.raw.write(
        tmp_path / "b.gpkg",
        np.array([shapely.to_wkb(shapely.box(x0, y0, x1, y1))]),
        [],
        [],
        geometry_type="Polygon",
        crs="EPSG:32632",
    )
    text = PIPELINE + (
        "output:\n  drop_noise: true\n  tiles: {size: 20}\nboundary: {file: b.gpkg, buffer: 5}\n"
    )
    outcome = run(tmp_path, [write(tmp_path / "a.laz", columns)], text=text)
    assert [w for w in outcome.record["warnings"] if "report" in w] == []
    page = Page(report(tmp_path)).text
    inside = (columns["x"] + 412_000 >= x0) & (columns["x"] + 412_000 <= x1)
    inside &= (columns["y"] + 5_654_000 >= y0) & (columns["y"] + 5_654_000 <= y1)
    assert f"1 input with {int(inside.sum()):,} points" in page
    assert "drawn from the terrain model" in report(tmp_path)
