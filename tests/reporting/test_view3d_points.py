"""The points of the turnable view: packed without loss that matters, and no cloud that breaks it."""

from __future__ import annotations

import base64
import hashlib
import io
import json
import re
from dataclasses import dataclass
from html.parser import HTMLParser
from importlib.resources import files

import numpy as np
import pytest
from PIL import Image

from cloudprep.reporting.colours import KINDS, rgb_of
from cloudprep.reporting.vendored_code import SHA256, vendored_script
from cloudprep.reporting.view3d import view3d_scripts, view3d_section
from cloudprep.reporting.view3d_points import round_length, view_points


@dataclass(frozen=True)
class Cloud:
    x: np.ndarray
    y: np.ndarray
    z: np.ndarray
    classification: np.ndarray
    origin: tuple[float, float] = (0.0, 0.0)
    horizontal_unit: float = 1.0


def cloud(x: object, y: object, z: object, codes: object = 2, **more: object) -> Cloud:
    x, y, z = np.broadcast_arrays(np.asarray(x, float), np.asarray(y, float), np.asarray(z, float))
    return Cloud(x, y, z, np.broadcast_to(np.asarray(codes, np.uint8), x.shape), **more)


def plain(count: int = 3000, seed: int = 3, **more: object) -> Cloud:
    rng = np.random.default_rng(seed)
    return cloud(400.0 * rng.random(count), 250.0 * rng.random(count), 80 + rng.random(count), **more)


def facts_and_words(html: str) -> tuple[dict, np.ndarray]:
    """Read back from the page what its script reads."""
    facts = re.search(r'<script type="application/json"[^>]*>(.*?)</script>', html, re.DOTALL)
    data = re.search(r'<script type="text/plain"[^>]*>(.*?)</script>', html, re.DOTALL)
    assert facts is not None
    assert data is not None
    return json.loads(facts[1]), np.frombuffer(base64.b64decode(data[1]), "<u2").reshape(-1, 4)


def test_places_come_back_within_half_a_step() -> None:
    sample = plain()
    facts, words = facts_and_words(view3d_section(sample))
    back = np.array(facts["first"]) + words[:, :3] * np.array(facts["step"]) + np.array(facts["centre"])
    true = np.column_stack([sample.x, sample.y, sample.z])
    # 400 m in 65,535 steps; single precision adds its own (centre within 200 m: 8 micrometres).
    assert np.abs(back - true).max() < 0.5 * 400 / 65_535 + 1e-4
    assert set((words[:, 3] & 255).tolist()) == {2}


def test_every_class_keeps_its_code_and_colour() -> None:
    sample = plain(codes=np.arange(3000) % 256)
    facts, words = facts_and_words(view3d_section(sample))
    assert np.array_equal(words[:, 3] & 255, sample.classification)
    colours = {c["code"]: c["colour"] for c in facts["classes"]}
    assert len(colours) == 256
    for kind in KINDS:
        assert all(colours[code] == kind.colour for code in kind.codes)
    assert {c["code"] for c in facts["classes"] if c["noise"]} == {7, 18}


@pytest.mark.parametrize(
    "sample",
    [
        cloud([3.0], [4.0], [5.0]),
        cloud([3.0] * 50, [4.0] * 50, [5.0] * 50),
        cloud(np.arange(50.0), 0.0, 0.0),
        cloud(np.arange(50.0), np.arange(50.0), np.arange(50.0), codes=7),
        cloud(0.0, 0.0, np.arange(50.0), codes=18),
        cloud(np.arange(50.0) * 1e5, np.arange(50.0) * 1e5, 0.0),
        cloud([np.nan, 1.0, 2.0], [0.0, np.inf, 3.0], [0.0, 1.0, 2.0]),
    ],
    ids=["one", "coincident", "line", "all noise", "pole", "huge", "not finite"],
)
def test_odd_clouds_are_shown_too(sample: Cloud) -> None:
    facts, words = facts_and_words(view3d_section(sample))
    assert len(words) >= 1
    assert np.isfinite([*facts["first"], *facts["step"], *facts["heights"], facts["spacing"]]).all()
    assert np.isfinite(facts["camera"]["rim"]).all()


def test_no_points_are_told_in_words() -> None:
    none = cloud(np.empty(0), np.empty(0), np.empty(0))
    assert view3d_section(none) == '<p class="view3d-message">There are no points to show.</p>\n'


def test_an_echo_far_away_doesnt_make_a_dot_of_the_site() -> None:
    sample = plain()
    x = np.append(sample.x, 200.0)
    far = cloud(
        x, np.append(sample.y, 100.0), np.append(sample.z, 30_000.0), np.append(sample.classification, 18)
    )
    points = view_points(far)
    assert points is not None
    assert points.left_out == 1
    assert len(points.codes) == 3000
    assert "aren't shown lie 1 of the sample" in view3d_section(far)
    # What nearly all points are within is the same as without it.
    alone = view_points(sample)
    assert alone is not None
    assert np.allclose(points.half, alone.half)


def test_the_net_lies_where_coordinates_are_round() -> None:
    foot = 0.3048
    points = view_points(plain())
    assert points is not None
    origin = (381_000.0, 6_037_123.4)
    net = points.net(origin, foot)
    assert net.mesh in {100.0, 200.0, 500.0}
    for lines, zero, middle in zip((net.across, net.along), origin, points.centre[:2], strict=True):
        assert len(lines) >= 2
        in_feet = (np.array(lines) + middle + zero) / foot
        assert np.abs(in_feet / net.mesh - np.rint(in_feet / net.mesh)).max() < 1e-6


def test_slopes_to_the_north_west_are_lit() -> None:
    rng = np.random.default_rng(8)
    x, y = 100 * rng.random(20_000), 100 * rng.random(20_000)
    lit = [view_points(cloud(x, y, 0.3 * way * (x - y))) for way in (1.0, -1.0)]
    assert all(points is not None for points in lit)
    # Rising to the south-east the ground faces north-west, where the light comes from.
    assert np.median(lit[0].light) > np.median(lit[1].light) + 60


def test_the_still_picture_shows_every_class_in_its_colour() -> None:
    sample = plain(codes=np.repeat([2, 9, 6], 1000))
    encoded = re.search(r'src="data:image/png;base64,([^"]+)"', view3d_section(sample))
    assert encoded is not None
    picture = np.asarray(Image.open(io.BytesIO(base64.b64decode(encoded[1]))).convert("RGB")).astype(float)
    assert picture.shape == (620, 1100, 3)
    direction = picture / np.maximum(np.linalg.norm(picture, axis=2, keepdims=True), 1)
    for kind in KINDS:
        wanted = np.array(rgb_of(kind.colour), float)
        share = float((direction @ (wanted / np.linalg.norm(wanted)) > 0.998).mean())
        if {2, 9, 6} & set(kind.codes):
            assert share > 0.003, kind.name


def test_texts_of_places_cant_leave_their_script() -> None:
    html = view3d_section(plain(), places=[("</script><script>alert(1)</script>", 1.0, 2.0, 3.0)])
    facts, _ = facts_and_words(html)
    assert facts["places"][0]["name"] == "</script><script>alert(1)</script>"
    found: list[str] = []
    parser = HTMLParser()
    parser.handle_starttag = lambda tag, attrs: found.append(tag)  # type: ignore[method-assign]
    parser.feed(html)
    assert found.count("script") == 2 + len(view3d_scripts())


def test_what_others_wrote_is_what_they_published() -> None:
    folder = files("cloudprep.reporting") / "vendored"
    table = (folder / "README.md").read_text("utf-8")
    for name, digest in SHA256.items():
        content = (folder / name).read_bytes()
        assert hashlib.sha256(content).hexdigest() == digest
        assert f"`{digest}`" in table
        assert len(content) < 700_000
        assert "Permission is hereby granted" in vendored_script(name)


def test_changed_code_of_others_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(SHA256, "twgl.js", "0" * 64)
    with pytest.raises(ValueError, match="isn't the file that its authors published"):
        vendored_script("twgl.js")


def test_round_lengths() -> None:
    assert [round_length(v) for v in (1.0, 1.01, 19.0, 20.0, 21.0, 0.07)] == [1.0, 2.0, 20.0, 20.0, 50.0, 0.1]
