"""The noise stages of ``bare_earth`` reach their bars on seeds that nothing was tuned on.

The bars are the project's own. Wires are counted with the guys. The full table is in benchmarks/noise.md.
"""

from __future__ import annotations

import pytest

from demo_clouds.noise_scenes import Label
from demo_clouds.noise_scenes import kinds as groups
from demo_clouds.noise_scenes.score import OTHER_REAL

FOUND = {
    "scattered and low": ((*groups.SCATTERED, *groups.LOW), 0.98),
    "pits": ((Label.PIT,), 0.93),
    "fog, flocks and ghosts": (groups.DETACHED, 0.90),
    "photogrammetric floaters": (groups.FLOATERS, 0.90),
    "photogrammetric edges": ((Label.EDGE_SMEAR,), 0.80),
}
LOST = {
    "ground": ("all", (Label.GROUND,), 0.0001),
    "wires from 10 points/m2": ("dense", groups.WIRES, 0.01),
    "wires at 2 points/m2": ("thin", groups.WIRES, 0.05),
    "other real points": ("all", OTHER_REAL, 0.003),
}
# Bars that these scenes do not meet yet, with what was measured: found at least. It may not get worse.
# (On all 24 scenes of benchmarks/noise.md two fall short.)
SHORT: dict[str, float] = {}


def _cases(bars):
    return [
        pytest.param(name, marks=pytest.mark.xfail(reason=f"measured: {SHORT[name]:.4f}", strict=True))
        if name in SHORT
        else name
        for name in bars
    ]


@pytest.mark.parametrize("name", _cases(FOUND))
def test_separable_noise_is_found(tallies, name):
    labels, bar = FOUND[name]
    found = tallies["all"].found(labels)
    assert found >= bar, f"{name}: {100 * found:.2f} % found"


@pytest.mark.parametrize("name", _cases(LOST))
def test_real_points_are_kept(tallies, name):
    scenes, labels, bar = LOST[name]
    lost = tallies[scenes].lost(labels)
    assert lost <= bar, f"{name}: {100 * lost:.3f} % lost"


@pytest.mark.parametrize("name", SHORT)
def test_what_falls_short_finds_what_it_did(tallies, name):
    found = tallies["all"].found(FOUND[name][0])
    assert found >= SHORT[name], f"{name}: {100 * found:.2f} % found"
