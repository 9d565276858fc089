"""The turnable view in a real browser: it draws, it moves, it is honest where it can't."""

from __future__ import annotations

import base64
import importlib.util
import io
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from PIL import Image

if TYPE_CHECKING:
    from collections.abc import Callable

HERE = Path(__file__).parent
NOISE_RED = np.array([0xEC, 0x21, 0x03])


def _pages() -> Any:
    spec = importlib.util.spec_from_file_location("view_pages", HERE / "view_pages.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["view_pages"] = module
    spec.loader.exec_module(module)
    return module


pages = _pages()


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("view") / "view.html"
    link = '<button type="button" hidden data-look-at="30 30 312 15">Show the house</button>'
    path.write_text(pages.page_of(pages.hillside(), link, places=[("1", 30.0, 30.0, 312.0)]), "utf-8")
    return path


@pytest.fixture(scope="module")
def kept(page: Path, keep_page: Callable[..., Any]) -> Any:
    opened = keep_page(page, width=700, height=800)
    opened.view_settles()
    return opened


@pytest.fixture
def view(kept: Any) -> Any:
    """The view as it is at first."""
    page = kept.page
    page.evaluate("scrollTo(0, 0); document.activeElement.blur()")
    page.get_by_label("noise").check()
    page.select_option("[data-exaggeration]", "1")
    page.click("[data-colour-by=class]")
    kept.after(lambda: page.click("text=Reset"))
    yield kept
    assert (kept.messages, kept.requests, kept.violations()) == ([], [], [])


def changed(before: np.ndarray, after: np.ndarray) -> float:
    """Share of pixels that differ clearly."""
    return float((np.abs(before - after).max(axis=2) > 24).mean())


def reddish(picture: np.ndarray) -> int:
    """Pixels in the colour of noise."""
    return int((np.abs(picture - NOISE_RED).max(axis=2) < 40).sum())


def test_it_draws_and_says_nothing(view: Any) -> None:
    picture = view.picture()
    # The background is a gradient from top to bottom: its rows are one colour, the cloud's are many.
    spread = np.ptp(picture, axis=1).max(axis=1)
    assert (spread > 60).mean() > 0.6
    corner = picture[5, 5]
    assert (np.abs(picture - corner).max(axis=2) > 60).mean() > 0.25
    assert (view.messages, view.requests, view.violations()) == ([], [], [])


def test_a_drag_turns_it_and_reset_turns_it_back(view: Any) -> None:
    start = view.picture()
    box = view.page.locator(".view3d-canvas").bounding_box()
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2

    def drag() -> None:
        view.page.mouse.move(x, y)
        view.page.mouse.down()
        view.page.mouse.move(x + 160, y + 30, steps=4)
        view.page.mouse.up()

    turned = view.after(drag)
    assert changed(start, turned) > 0.1
    assert changed(start, view.after(lambda: view.page.click("text=Reset"))) < 0.001


@pytest.mark.parametrize("key", ["ArrowLeft", "ArrowUp", "Shift+ArrowRight", "Shift+ArrowDown", "+", "-"])
def test_keys_move_it(view: Any, key: str) -> None:
    start = view.picture()
    view.page.focus(".view3d-canvas")
    assert changed(start, view.after(lambda: view.page.keyboard.press(key))) > 0.02
    assert changed(start, view.after(lambda: view.page.keyboard.press("0"))) < 0.001


def test_colours_by_height_and_back(view: Any) -> None:
    start = view.picture()
    by_height = view.after(lambda: view.page.click("[data-colour-by=height]"))
    assert changed(start, by_height) > 0.2
    assert view.page.locator(".view3d-ramp").is_visible()
    assert view.page.get_attribute("[data-colour-by=height]", "aria-pressed") == "true"
    assert changed(start, view.after(lambda: view.page.click("[data-colour-by=class]"))) < 0.001


def test_noise_can_be_hidden(view: Any) -> None:
    assert reddish(view.picture()) > 500
    without = view.after(lambda: view.page.get_by_label("noise").uncheck())
    assert reddish(without) == 0
    assert reddish(view.after(lambda: view.page.get_by_label("noise").check())) > 500


def test_heights_are_stretched(view: Any) -> None:
    start = view.picture()
    assert changed(start, view.after(lambda: view.page.select_option("[data-exaggeration]", "5"))) > 0.1


def test_a_click_tells_what_a_point_is(view: Any) -> None:
    view.after(lambda: view.page.click("text=From above"))
    # Seen from above the house's roof lies under its pin.
    pin = view.page.locator(".view3d-pin").bounding_box()
    view.page.mouse.click(pin["x"] + pin["width"] / 2, pin["y"] + pin["height"] / 2)
    words = view.page.inner_text(".view3d-readout")
    assert words.endswith(", height 312.00 m: building")
    x, y = (float(part.split()[1]) for part in words.split(",")[:2])
    assert abs(x - 30.0) < 2.5
    assert abs(y - 30.0) < 2.5


def test_the_wheel_scrolls_the_page_until_the_view_was_chosen(view: Any) -> None:
    start = view.picture()
    view.after(lambda: view.page.set_viewport_size({"width": 700, "height": 340}))
    frames = view.view_settles()
    box = view.page.locator(".view3d-canvas").bounding_box()
    view.page.mouse.move(box["x"] + 300, box["y"] + 200)
    view.page.mouse.wheel(0, 120)
    view.page.wait_for_function("() => scrollY > 50")
    assert view.view_settles() == frames
    view.after(lambda: view.page.set_viewport_size({"width": 700, "height": 800}))
    view.page.focus(".view3d-canvas")
    assert changed(start, view.after(lambda: view.page.mouse.wheel(0, -400))) > 0.1


def test_a_place_of_the_page_is_shown_in_it(view: Any) -> None:
    start = view.picture()
    button = view.page.get_by_text("Show the house")
    assert button.is_visible()
    assert changed(start, view.after(button.click)) > 0.2
    assert view.page.evaluate("document.activeElement.className") == "view3d-canvas"
    # The house is what the view's middle shows now.
    box = view.page.locator(".view3d-canvas").bounding_box()
    pin = view.page.locator(".view3d-pin").bounding_box()
    assert abs(pin["x"] + pin["width"] / 2 - box["x"] - box["width"] / 2) < 3
    assert abs(pin["y"] + pin["height"] / 2 - box["y"] - box["height"] / 2) < 3


def test_it_rests_when_nothing_changes(view: Any) -> None:
    frames = view.view_settles()
    view.page.wait_for_timeout(700)
    assert view.view_settles() == frames


def test_fingers_turn_and_pinch(page: Path, open_page: Callable[..., Any]) -> None:
    opened = open_page(page, width=360, height=740, has_touch=True, is_mobile=True, device_scale_factor=2)
    opened.view_settles()
    start = opened.picture()
    canvas = opened.page.locator(".view3d-canvas")
    box = canvas.bounding_box()
    touch = opened.page.context.new_cdp_session(opened.page)

    def gesture(*steps: list[tuple[float, float]]) -> None:
        for number, fingers in enumerate(steps):
            points = [{"x": box["x"] + x, "y": box["y"] + y, "id": i} for i, (x, y) in enumerate(fingers)]
            touch.send(
                "Input.dispatchTouchEvent",
                {"type": "touchMove" if number else "touchStart", "touchPoints": points},
            )
        touch.send("Input.dispatchTouchEvent", {"type": "touchEnd", "touchPoints": []})

    # Before it is chosen, a finger that moves up or down scrolls the page; sideways it turns the view.
    turned = opened.after(lambda: gesture([(100, 120)], [(130, 121)], [(170, 122)], [(220, 122)]))
    assert changed(start, turned) > 0.05
    canvas.tap()
    before = opened.picture()
    nearer = opened.after(
        lambda: gesture(*[[(160 - d, 130), (180 + d, 130)] for d in (10, 30, 50, 70)]),
    )
    assert changed(before, nearer) > 0.05
    assert opened.messages == []


def test_lost_graphics_memory_is_told_and_survived(view: Any) -> None:
    start = view.picture()
    view.page.evaluate(
        "window.loss = document.querySelector('.view3d-canvas').getContext('webgl2')"
        ".getExtension('WEBGL_lose_context'); loss.loseContext()"
    )
    view.page.wait_for_selector(".view3d-still", state="visible")
    assert "picture stands in" in view.page.inner_text(".view3d-message")
    frames = view.view_settles()
    view.page.evaluate("loss.restoreContext()")
    view.page.wait_for_selector(".view3d-canvas", state="visible")
    view.view_settles(frames)
    assert changed(start, view.picture()) < 0.001
    assert not view.page.locator(".view3d-message").is_visible()
    # The browser itself says that memory was lost.
    assert all("CONTEXT_LOST_WEBGL" in m for m in view.messages)
    view.messages.clear()


def test_without_webgl_it_says_so_and_shows_a_picture(
    page: Path, browser: Any, open_page: Callable[..., Any]
) -> None:
    context = browser.new_context()
    context.add_init_script(
        "const real = HTMLCanvasElement.prototype.getContext;"
        "HTMLCanvasElement.prototype.getContext = function (kind, ...rest) {"
        "  return kind.startsWith('webgl') ? null : real.call(this, kind, ...rest); };"
    )
    tab = context.new_page()
    messages: list[str] = []
    tab.on("console", lambda m: messages.append(m.text))
    tab.on("pageerror", lambda error: messages.append(str(error)))
    tab.goto(page.as_uri())
    tab.wait_for_selector(".view3d-message", state="visible")
    assert "no WebGL 2" in tab.inner_text(".view3d-message")
    assert tab.locator(".view3d-still").is_visible()
    assert not tab.locator(".view3d-controls").is_visible()
    assert not tab.get_by_text("Show the house").is_visible()
    assert messages == []
    context.close()


def test_without_javascript_the_picture_stands_there(page: Path, open_page: Callable[..., Any]) -> None:
    opened = open_page(page, java_script_enabled=False)
    still = opened.page.locator(".view3d-still")
    assert still.is_visible()
    assert opened.page.get_by_text("where JavaScript is on").is_visible()
    assert not opened.page.locator(".view3d-controls").is_visible()
    assert opened.page.locator(".view3d-legend li").count() == 4
    assert opened.page.locator(".view3d-legend input").first.is_hidden()


def test_the_still_picture_is_what_the_view_shows_first(page: Path, open_page: Callable[..., Any]) -> None:
    """Two programs, one in Python and one in the page, draw the same points from the same place."""
    opened = open_page(page, width=1134, height=1400)
    # As wide and high as the picture.
    opened.page.evaluate(
        "() => { const c = document.querySelector('.view3d-canvas'); c.style.width = '1100px'; "
        "c.style.height = '620px'; c.style.maxHeight = 'none'; }"
    )
    live = opened.after(lambda: opened.page.click("text=Reset"))
    opened.page.focus(".view3d-canvas")
    turned = opened.after(lambda: opened.page.keyboard.press("ArrowLeft"))
    encoded = opened.page.get_attribute(".view3d-still", "src").split(",")[1]
    still = np.asarray(Image.open(io.BytesIO(base64.b64decode(encoded))).convert("RGB")).astype(int)[6:, 6:]
    # Squares of 20 x 20 pixels, so that single points don't count.
    alike, other, own = (
        p[:600, :1080].reshape(30, 20, 54, 20, 3).mean(axis=(1, 3)) for p in (live, turned, still)
    )
    assert np.corrcoef(alike.ravel(), own.ravel())[0, 1] > 0.97
    # Five degrees off make it another picture.
    assert np.abs(alike - own).mean() < 0.6 * np.abs(other - own).mean()
