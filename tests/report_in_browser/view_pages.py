"""Made-up clouds for the turnable view, and the smallest page around it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from cloudprep.reporting.content_policy import content_policy
from cloudprep.reporting.view3d import view3d_scripts, view3d_section, view3d_style


@dataclass(frozen=True)
class Cloud:
    """What the view needs."""

    x: np.ndarray
    y: np.ndarray
    z: np.ndarray
    classification: np.ndarray


def hillside(count: int = 20_000, seed: int = 5) -> Cloud:
    """A slope of 120 x 90 m with a flat-roofed house, a wood, and 300 echoes in the air above it."""
    rng = np.random.default_rng(seed)
    x, y = 120.0 * rng.random(count), 90.0 * rng.random(count)
    z = 300.0 + 0.12 * x + 1.5 * np.sin(x / 9) * np.cos(y / 11)
    codes = np.full(count, 2, np.uint8)
    house = (np.abs(x - 30) < 12) & (np.abs(y - 30) < 9)
    z[house], codes[house] = 312.0, 6
    wood = (np.hypot(x - 85, y - 60) < 22) & (rng.random(count) < 0.6)
    z[wood] += 12.0 * rng.random(int(wood.sum()))
    codes[wood] = 5
    noise = rng.choice(count, 300, replace=False)
    z[noise], codes[noise] = 335.0 + 10.0 * rng.random(300), 18
    return Cloud(x, y, z, codes)


def page_of(cloud: Cloud, more: str = "", **options: object) -> str:
    """A page with nothing but the view, as strict about scripts as the report."""
    body = view3d_section(cloud, **options)
    style = (
        "body { margin: 16px; font-family: sans-serif; color: #1f2a35; background: #fff }" + view3d_style()
    )
    policy = content_policy(view3d_scripts(), [style])
    return (
        '<!DOCTYPE html><html lang="en"><head><meta charset="utf-8"><meta name="viewport" '
        f'content="width=device-width"><meta http-equiv="Content-Security-Policy" content="{policy}">'
        f"<title>A view</title><style>{style}</style></head><body><h1>A view</h1>{more}{body}</body></html>"
    )
