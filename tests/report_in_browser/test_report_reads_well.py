"""The report of real runs in a real browser: quiet, whole, readable by anybody on anything."""

from __future__ import annotations

import re
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import laspy
import pytest

from cloudprep.config import load_pipeline
from cloudprep.engine.demo import demo_folder
from cloudprep.engine.progress import Silent
from cloudprep.engine.run import RunRequest, run_site

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

# No slash in it: file names can't have one.
HOSTILE = '<img src=x onerror="alert(1)"> & <script>alert(2)<script>'
RUNS = ("bare_earth", "terrain_products")
TABLET = {"width": 1200, "height": 900}

# Web Content Accessibility Guidelines 2.2, "relative luminance" and "contrast ratio"; 4.5 is its success
# criterion 1.4.3 for text of any size.
CONTRASTS = """() => {
  const parse = c => { const v = c.match(/[\\d.]+/g).map(Number); return v.length < 4 ? [...v, 1] : v; };
  const over = (a, b) => [0, 1, 2].map(i => a[i] * a[3] + b[i] * (1 - a[3])).concat(1);
  const lum = c => { const l = c.slice(0, 3).map(v => { v /= 255;
    return v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4; });
    return 0.2126 * l[0] + 0.7152 * l[1] + 0.0722 * l[2]; };
  const found = [];
  const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  while (walker.nextNode()) {
    const node = walker.currentNode, element = node.parentElement;
    if (!node.textContent.trim() || !element.checkVisibility({ checkVisibilityCSS: true })) continue;
    if (element.closest('script, style, .view3d-stage')) continue;
    const layers = [];
    for (let e = element; e; e = e.parentElement) layers.push(parse(getComputedStyle(e).backgroundColor));
    let ground = [255, 255, 255, 1];
    for (const layer of layers.reverse()) ground = over(layer, ground);
    const style = getComputedStyle(element);
    const ink = over(parse(element instanceof SVGElement ? style.fill : style.color), ground);
    const [a, b] = [lum(ink), lum(ground)].sort((x, y) => y - x);
    found.push([(a + 0.05) / (b + 0.05), node.textContent.trim().slice(0, 60)]);
  }
  return found;
}"""

WIDE_ONES = """() => {
  const page = document.documentElement;
  const wide = [...document.querySelectorAll('body *')].filter(e => e.getClientRects().length &&
    e.getBoundingClientRect().right > page.clientWidth + 1 &&
    ![...ancestors(e)].some(a => /auto|scroll|hidden|clip/.test(getComputedStyle(a).overflowX)));
  function* ancestors(e) {
    for (let a = e.parentElement; a && a !== document.body; a = a.parentElement) yield a;
  }
  return [page.scrollWidth - page.clientWidth, wide.map(e => e.tagName + '.' + e.className).slice(0, 5)];
}"""

# What lies beside the visible part of anything that can't be scrolled on paper.
CLIPPED = """() => [...document.querySelectorAll('table, pre')].map(e => {
  const right = e.getBoundingClientRect().right;
  let limit = document.documentElement.clientWidth;
  for (let a = e.parentElement; a; a = a.parentElement)
    if (getComputedStyle(a).overflowX !== 'visible') limit = Math.min(limit, a.getBoundingClientRect().right);
  return [right - limit, e.scrollWidth - e.clientWidth, e.textContent.slice(0, 40)];
}).filter(([over, inner]) => over > 1 || inner > 1)"""


@pytest.fixture(scope="module", params=RUNS)
def report(request: pytest.FixtureRequest, runs: dict[str, Path]) -> Path:
    return runs[request.param]


@pytest.fixture(scope="session")
def runs(tmp_path_factory: pytest.TempPathFactory, browser: Any) -> dict[str, Path]:
    """Reports of two small runs whose input, in its name and header, means to break out of the page."""
    folder = tmp_path_factory.mktemp("runs")
    cloud = laspy.read(demo_folder() / "flights" / "flight1.laz")
    x, y = cloud.x - cloud.x.min(), cloud.y - cloud.y.min()
    cloud.points = cloud.points[(x > 90) & (x < 190) & (y > 60) & (y < 160)]
    cloud.header.generating_software = "<b onclick=alert(3)>me</b>"
    flight = folder / f"{HOSTILE}.laz"
    cloud.write(flight)
    reports = {}
    inputs: tuple[str, ...] = (str(flight),)
    for name in RUNS:
        out = folder / f"{name} <i onmouseover=alert(4)>"
        outcome = run_site(RunRequest(load_pipeline(name), inputs, out), Silent())
        assert outcome.exit_code == 0
        reports[name] = out / "report.html"
        inputs = (str(out / "clouds"),)
    return reports


@pytest.fixture(scope="module")
def kept(report: Path, keep_page: Callable[..., Any]) -> Any:
    found = keep_page(report, **TABLET)
    found.view_settles()
    return found


@pytest.fixture
def opened(kept: Any) -> Any:
    """The report as it opens; whatever a test does to it must be quiet, and is undone."""
    yield kept
    kept.page.emulate_media(media="screen")
    kept.page.set_viewport_size(TABLET)
    assert (kept.messages, kept.requests, kept.violations()) == ([], [], [])


def test_it_says_nothing_asks_for_nothing_and_is_small(opened: Any, report: Path) -> None:
    opened.page.evaluate("scrollTo(0, document.body.scrollHeight)")
    opened.page.wait_for_timeout(200)
    assert (opened.messages, opened.requests, opened.violations()) == ([], [], [])
    assert report.stat().st_size < 10_000_000


def test_all_pictures_are_there_and_told_in_words(opened: Any) -> None:
    pictures = opened.page.evaluate(
        "[...document.images].map(i => [i.naturalWidth, i.naturalHeight, i.complete, i.alt.trim(),"
        " i.currentSrc.slice(0, 5)])"
    )
    assert len(pictures) >= 5
    for width, height, complete, words, source in pictures:
        assert complete
        assert width > 0
        assert height > 0
        assert source == "data:"
        assert len(words) > 10, pictures
    assert len({words for *_, words, _ in pictures}) > len(pictures) / 2
    drawings = opened.page.evaluate(
        "[...document.querySelectorAll('svg')].filter(s => s.getAttribute('aria-hidden') !== 'true')"
        ".map(s => [s.getAttribute('role'),"
        " s.getAttribute('aria-label') || s.querySelector('title')?.textContent || ''])"
    )
    assert all(role == "img" and len(words) > 10 for role, words in drawings), drawings


def test_the_view_draws_and_turns(opened: Any) -> None:
    start = opened.picture()
    spread = abs(start - start[5, 5]).max(axis=2)
    assert (spread > 60).mean() > 0.2
    opened.page.focus(".view3d-canvas")
    turned = opened.after(lambda: opened.page.keyboard.press("ArrowLeft"))
    assert (abs(turned - start).max(axis=2) > 24).mean() > 0.05
    by_height = opened.after(lambda: opened.page.click("[data-colour-by=height]"))
    assert (abs(by_height - turned).max(axis=2) > 24).mean() > 0.1


def test_a_place_to_look_at_is_shown_in_the_view(opened: Any) -> None:
    buttons = opened.page.get_by_text("Show in the 3D view")
    assert buttons.count() == opened.page.locator("#look li").count() > 0
    opened.after(lambda: opened.page.click("text=Reset"))
    opened.after(buttons.first.click)
    # Its number stands in the middle of the view now.
    canvas = opened.page.locator(".view3d-canvas").bounding_box()
    pin = opened.page.locator(".view3d-pin").get_by_text("1", exact=True).bounding_box()
    assert abs(pin["x"] + pin["width"] / 2 - canvas["x"] - canvas["width"] / 2) < 3
    assert abs(pin["y"] + pin["height"] / 2 - canvas["y"] - canvas["height"] / 2) < 3


def test_without_javascript_all_but_the_turning_is_there(
    report: Path, opened: Any, open_page: Callable[..., Any]
) -> None:
    plain = open_page(report, java_script_enabled=False, **TABLET)
    sections = [s.inner_text().split("\n")[0] for s in opened.page.locator("h2").all()]
    assert [s.inner_text().split("\n")[0] for s in plain.page.locator("h2").all()] == sections
    for heading in plain.page.locator("h1, h2, h3").all():
        assert heading.is_visible()
    for picture in plain.page.locator("img").all():
        assert picture.is_visible()
    assert plain.page.locator(".view3d-still").bounding_box()["height"] > 200
    assert plain.page.get_by_text("where JavaScript is on").is_visible()
    # What needs the script isn't offered.
    for button in plain.page.locator("button, select, input").all():
        assert not button.is_visible()


@pytest.mark.parametrize("width", [320, 360, 768])
def test_narrow_screens_need_no_sideways_scrolling(
    report: Path, open_page: Callable[..., Any], width: int
) -> None:
    opened = open_page(report, width=width, height=740)
    opened.view_settles()
    assert opened.page.evaluate(WIDE_ONES) == [0, []]


def test_text_stands_out(opened: Any) -> None:
    # What is folded away is text too.
    opened.page.evaluate("document.querySelectorAll('details').forEach(d => { d.open = true; })")
    contrasts = opened.page.evaluate(CONTRASTS)
    assert len(contrasts) > 100
    assert [c for c in contrasts if c[0] < 4.5] == []


def test_headings_are_in_order(opened: Any) -> None:
    levels = [
        int(level)
        for level in opened.page.evaluate(
            "[...document.querySelectorAll('h1,h2,h3,h4,h5,h6')].map(h => h.tagName[1])"
        )
    ]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(after <= before + 1 for before, after in pairwise(levels))
    assert levels.count(2) >= 6


def test_links_within_the_page_lead_somewhere_and_none_leads_out(opened: Any) -> None:
    links = opened.page.evaluate("[...document.querySelectorAll('a[href]')].map(a => a.getAttribute('href'))")
    assert links
    ids = opened.page.evaluate("[...document.querySelectorAll('[id]')].map(e => e.id)")
    assert len(ids) == len(set(ids))
    for link in links:
        assert link.startswith("#")
        assert link[1:] in ids


def test_it_prints_whole(opened: Any) -> None:
    pdf = opened.page.pdf(format="A4", prefer_css_page_size=True)
    pages = len(re.findall(rb"/Type\s*/Page\b(?!s)", pdf))
    assert pages >= 2
    opened.page.emulate_media(media="print")
    # 184 mm between the margins at 96 dots an inch.
    opened.page.set_viewport_size({"width": 695, "height": 1000})
    assert opened.page.evaluate(CLIPPED) == []
    assert opened.page.evaluate(WIDE_ONES) == [0, []]
    assert opened.page.locator(".view3d-still").is_visible()
    assert not opened.page.locator(".view3d-canvas").is_visible()
    assert not opened.page.locator(".view3d-controls").is_visible()


def test_what_a_file_says_is_text_and_runs_nothing(report: Path, opened: Any) -> None:
    if "bare_earth" in str(report):
        assert HOSTILE in opened.page.inner_text("body")
    assert "onmouseover=alert(4)" in opened.page.inner_text("h1")
    # Not one element of it came to be, and moving over all there is runs nothing.
    assert opened.page.locator("[onerror], [onclick], [onmouseover]").count() == 0
    assert opened.page.evaluate("[...document.scripts].filter(s => !s.type).length") == 2
    for element in opened.page.locator("h1, td").all()[:40]:
        element.hover()
    assert (opened.messages, opened.violations()) == ([], [])
