"""The default pipeline's ground on a scene, worked out once for all tests."""

import signal
import sys
from contextlib import contextmanager
from functools import cache
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pytest

ROOT = Path(__file__).parents[2]
MOST_SECONDS = 240
for place in (ROOT / "benchmarks", ROOT):
    if str(place) not in sys.path:
        sys.path.append(str(place))

from demo_clouds.kinds import Kind  # noqa: E402 - found on the path that is set above


class Judgement(NamedTuple):
    """What the default ground stage made of a scene: shares in percent, the terrain's error in metres."""

    kept: float
    accepted: float
    rmse: float
    total: float
    warnings: tuple[str, ...]
    found: np.ndarray
    kind: np.ndarray
    clear: np.ndarray

    def accepted_of(self, *kinds):
        """Return which share of some kinds was accepted as ground, percent."""
        return 100 * float(self.found[np.isin(self.kind, kinds)].mean())

    def accepted_clear(self, *but):
        """Return which share of the objects was accepted, percent; some kinds don't count.

        Only echoes from more than 0.3 m off the ground count: the wheels of a machine and the foot of a wall
        touch the ground, and on a site with few objects they alone are more than one per cent.
        """
        asked = self.clear & ~np.isin(self.kind, (Kind.GROUND, *but))
        return 100 * float(self.found[asked].mean())


def _off_the_ground(cloud):
    """Return the distance of points from the ground, measured across its surface, m."""
    x, y, at, step = cloud.columns["x"], cloud.columns["y"], cloud.terrain, 0.25
    rise = np.hypot(at(x + step, y) - at(x - step, y), at(x, y + step) - at(x, y - step)) / (2 * step)
    return np.abs(cloud.columns["z"] - at(x, y)) / np.sqrt(1 + rise**2)


def _out_of_time(number, frame):
    raise AssertionError(f"the scene took more than {MOST_SECONDS} s of processor time: it may never end")


@contextmanager
def _limited():
    """Stop what never ends, by processor time and not by the clock.

    A scene needs 5 to 10 s; the first of all has compiled everything beforehand, which took more than 60 s
    with empty caches on a busy machine.
    """
    if not hasattr(signal, "SIGVTALRM"):
        yield
        return
    before = signal.signal(signal.SIGVTALRM, _out_of_time)
    signal.setitimer(signal.ITIMER_VIRTUAL, MOST_SECONDS)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_VIRTUAL, 0)
        signal.signal(signal.SIGVTALRM, before)


@cache
def _judge(name, thin, turn, shift, seed, origin):
    import ground_scores as scores

    cloud = scores.make_scene(name, seed)
    if thin > 1:
        cloud = scores.thinned(cloud, thin)
    cloud = scores.laid(cloud, scores.Condition(turn, shift))
    if origin is not None:
        cloud = cloud._replace(origin=origin)
    stage = scores.default_stage()
    with _limited():
        score = scores.score(cloud, [stage])[stage]
    rates = [100 * v for v in (1 - score.counts.type_1, score.counts.type_2, score.counts.total)]
    clear = _off_the_ground(cloud) > 0.3
    return Judgement(*rates[:2], score.rmse, rates[2], score.warnings, score.found, cloud.kind, clear)


@pytest.fixture(scope="session")
def judge():
    """Return a function that runs the default pipeline on a scene, maybe thinned, turned or shifted."""

    def judge(name, thin=1, turn=0.0, shift=(0.0, 0.0), origin=None):
        import ground_scores as scores

        return _judge(name, thin, turn, shift, scores.SEED, origin)

    return judge
