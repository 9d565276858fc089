"""A headless Chromium that writes down all it says, and pages for it to open."""

from __future__ import annotations

import io
import os
import shutil
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from PIL import Image

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

# WebGL without a graphics card; a browser run by root starts with no sandbox only.
ARGUMENTS = ["--use-gl=angle", "--use-angle=swiftshader", "--enable-unsafe-swiftshader", "--no-sandbox"]
_NAMES = ("chromium", "chromium-browser")
_WATCH = (
    "window.broken = []; addEventListener('securitypolicyviolation', e => broken.push(e.violatedDirective));"
)


def chromium() -> str | None:
    """Where Chromium is, or None."""
    return next(filter(None, map(shutil.which, _NAMES)), None)


@dataclass
class Opened:
    """A page in the browser, and what came of opening it."""

    page: Any
    messages: list[str] = field(default_factory=list)
    requests: list[str] = field(default_factory=list)

    def view_settles(self, beyond: int = 0) -> int:
        """Wait until the view rests after more frames than given; return their number."""
        settled = "+(document.querySelector('[data-view3d]').dataset.settled || 0)"
        found = self.page.wait_for_function(f"n => {settled} > n && {settled}", arg=beyond, timeout=90_000)
        return int(found.json_value())

    def after(self, act: Callable[[], object]) -> np.ndarray:
        """Do something to the view; return its picture once it has come to rest."""
        frames = self.view_settles()
        act()
        self.view_settles(frames)
        return self.picture()

    def picture(self) -> np.ndarray:
        """The view's pixels alone: letters, compass and scale are taken away for the moment."""
        # By hand, since the page's policy allows no style from outside.
        show = (
            "how => document.querySelectorAll('.view3d-label, .view3d-compass, .view3d-scale')"
            ".forEach(e => { e.style.visibility = how; })"
        )
        self.page.evaluate(show, "hidden")
        png = self.page.locator(".view3d-canvas").screenshot()
        self.page.evaluate(show, "")
        # Without the rim, where the frame around the view and half pixels are.
        return np.asarray(Image.open(io.BytesIO(png)).convert("RGB")).astype(int)[6:-6, 6:-6]

    def violations(self) -> list[str]:
        """What the page tried that its policy forbids."""
        return list(self.page.evaluate("window.broken"))


@pytest.fixture(scope="session")
def browser() -> Iterator[Any]:
    """Give a headless Chromium: the system's own, nothing is downloaded."""
    playwright = pytest.importorskip(
        "playwright.sync_api", reason="playwright isn't installed: pip install 'cloudprep[test]'"
    )
    path = chromium()
    if path is None:
        pytest.skip("Chromium isn't installed: apt-get install chromium")
    with playwright.sync_playwright() as driver:
        found = driver.chromium.launch(executable_path=path, args=ARGUMENTS)
        yield found
        found.close()


@pytest.fixture
def open_page(browser: Any) -> Iterator[Callable[..., Opened]]:
    """Give a function that opens a file as by a double click, with no network at all."""
    yield from _opener(browser)


@pytest.fixture(scope="module")
def keep_page(browser: Any) -> Iterator[Callable[..., Opened]]:
    """Like ``open_page``; what it opens is there for all tests of a file."""
    yield from _opener(browser)


def _opener(browser: Any) -> Iterator[Callable[..., Opened]]:
    contexts = []

    def open_page(path: Path, *, width: int = 1200, height: int = 900, **options: Any) -> Opened:
        context = browser.new_context(viewport={"width": width, "height": height}, **options)
        contexts.append(context)
        if options.get("java_script_enabled", True):
            context.add_init_script(_WATCH)
        page = context.new_page()
        opened = Opened(page)
        own = path.resolve().as_uri()

        def asked(route: Any) -> None:
            url = route.request.url
            if url == own:
                route.continue_()
                return
            opened.requests.append(url)
            route.abort()

        context.route("**/*", asked)
        page.on("console", lambda m: opened.messages.append(f"{m.type}: {m.text}"))
        page.on("pageerror", lambda error: opened.messages.append(f"uncaught: {error}"))
        page.on("websocket", lambda socket: opened.requests.append(socket.url))
        page.on("dialog", lambda d: (opened.messages.append(f"dialog: {d.message}"), d.dismiss()))
        page.goto(own)
        return opened

    yield open_page
    for context in contexts:
        context.close()


def pytest_report_header() -> str | None:
    """Say which browser the report is tested in."""
    return None if os.environ.get("PYTEST_XDIST_WORKER") else f"chromium: {chromium() or 'none'}"
