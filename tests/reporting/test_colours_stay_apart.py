"""Kinds of points can be told apart by everybody, and the page's own colours can be read."""

import re
from importlib.resources import files

import numpy as np
import pytest

from cloudprep.reporting.colours import DENSITY_RAMP, HEIGHT_RAMP, KINDS, TRUST_RAMP, ramp, rgb_of

# Machado, Oliveira, Fernandes (2009), "A Physiologically-based Model for Simulation of Color Vision
# Deficiency", IEEE TVCG 15(6), matrices for severity 1.0, for linear sRGB (published beside the
# paper; from memory).
DEFICIENCIES = {
    "none": np.eye(3),
    "protanopia": [
        [0.152286, 1.052583, -0.204868],
        [0.114503, 0.786281, 0.099216],
        [-0.003882, -0.048116, 1.051998],
    ],
    "deuteranopia": [
        [0.367322, 0.860646, -0.227968],
        [0.280085, 0.672501, 0.047413],
        [-0.011820, 0.042940, 0.968881],
    ],
    "tritanopia": [
        [1.255528, -0.076749, -0.178779],
        [-0.078411, 0.930809, 0.147602],
        [0.004733, 0.691367, 0.303900],
    ],
}
# sRGB and D65 as IEC 61966-2-1 has them, to XYZ.
TO_XYZ = np.array(
    [[0.4124564, 0.3575761, 0.1804375], [0.2126729, 0.7151522, 0.0721750], [0.0193339, 0.1191920, 0.9503041]]
)


def linear(rgb):
    c = np.asarray(rgb, float) / 255.0
    return np.where(c <= 0.04045, c / 12.92, ((c + 0.055) / 1.055) ** 2.4)


def lab(rgb, matrix):
    seen = np.clip(linear(rgb) @ np.asarray(matrix).T, 0.0, 1.0)
    t = seen @ TO_XYZ.T / TO_XYZ.sum(axis=1)
    f = np.where(t > 216 / 24389, np.cbrt(t), (24389 / 27 * t + 16) / 116)
    return np.stack([116 * f[:, 1] - 16, 500 * (f[:, 0] - f[:, 1]), 200 * (f[:, 1] - f[:, 2])], axis=1)


@pytest.mark.parametrize("deficiency", DEFICIENCIES)
def test_no_two_kinds_look_alike(deficiency):
    places = lab([kind.rgb for kind in KINDS], DEFICIENCIES[deficiency])
    apart = np.sqrt(((places[:, None] - places[None]) ** 2).sum(axis=2))
    np.fill_diagonal(apart, np.inf)
    assert apart.min() > 25.0  # a difference of 2.3 can just be noticed (Mahy et al. 1994)


@pytest.mark.parametrize("deficiency", DEFICIENCIES)
@pytest.mark.parametrize("colours", [DENSITY_RAMP, HEIGHT_RAMP, TRUST_RAMP])
def test_ramps_go_from_light_to_dark_or_back_for_everybody(colours, deficiency):
    lightness = lab(ramp(colours, 9), DEFICIENCIES[deficiency])[:, 0]
    steps = np.diff(lightness)
    assert (np.sign(steps) == np.sign(steps[0])).all()
    assert abs(lightness[-1] - lightness[0]) > 60


def luminance(colour):
    return float(linear(rgb_of(colour)) @ TO_XYZ[1])


def test_texts_stand_out_from_what_is_behind_them():
    # WCAG 2.2, 1.4.3: a contrast of 4.5 at least.
    css = (files("cloudprep.reporting") / "report.css").read_text("utf-8")
    named = dict(re.findall(r"--(\w+): (#[0-9a-f]{6})", css))
    behind = ["#ffffff", named["pale"], "#eef6f2", "#fbf4e4", "#fbeeec"]
    texts = [named[n] for n in ("ink", "soft", "accent", "link")]
    texts += re.findall(r"\.mark\.[\w., -]*? \{ color: (#[0-9a-f]{6})", css)
    assert len(texts) >= 6
    for text in texts:
        for ground in behind:
            high, low = sorted((luminance(text), luminance(ground)), reverse=True)
            assert (high + 0.05) / (low + 0.05) >= 4.5, (text, ground)
