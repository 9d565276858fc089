"""Gates that went every way there is."""

from __future__ import annotations

from typing import Any

import pytest

from cloudprep.config import Gate
from cloudprep.judging import FailedInput, Judged, Judgement, judge
from cloudprep.model.figures import FIGURES

ODD = "flights/a|b <i>&amp;\"'`*_[x](y)\x00\x1b[31m\n\ufffe\udc80#7 @all \\| ä.laz"


@pytest.fixture
def odd() -> str:
    """Return a name of a flight that holds whatever may mean something to a file of text."""
    return ODD


@pytest.fixture
def judged() -> Judgement:
    """Return gates of a run with three flights, of which one failed and one has an odd name."""
    gates = [
        gate("ground.share", at_least=0.1),
        gate("noise.share", at_most=0.01, severity="warn", why="birds & <dust> | told"),
        gate("voids.count", at_most=0),
        gate("points.density", between=(4, 100), per="flight", why="ordered"),
        gate("points.density", between=(4, 100), per="flight", why="ordered"),
        gate("ground.share", at_least=0.2, per="flight", severity="warn"),
    ]
    flights = [
        Judged({"points.density": 5.5, "ground.share": 0.5}, "flights/a.laz"),
        Judged({"points.density": 3.9999999, "ground.share": 0.1}, ODD),
        Judged({}, "flights/broken.laz", nothing="the input failed: cut short"),
    ]
    run = Judged({"ground.share": 0.3, "noise.share": 0.02})
    return Judgement(
        gates=judge(gates, run, flights, FIGURES),
        failed=[FailedInput(flight="flights/broken.laz", reason="cut short")],
        flights=[one.flight for one in flights],
        pipeline="site.yaml",
        version="1.2.3",
        started="2026-03-01T07:08:09+00:00",
        seconds=12.5,
    )


def gate(figure: str, **values: Any) -> Gate:
    """Return a gate."""
    return Gate(figure=figure, **values)
