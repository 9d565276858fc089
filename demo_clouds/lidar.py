"""The two laser flights, from flight plan to columns."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from . import noise, place
from .beams import FlightLine, fly
from .cloud import Cloud, to_raw
from .dice import Dice
from .hits import numbering, receive
from .scanner import scan

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from .objects import Works
    from .plants import Plants

SCALE = 0.01
PLACE_SIGMA = 0.015  # standard deviation of the position across the beam, m
# A range's standard deviation grows from bright echoes to faint ones by up to this factor.
FAINT_FACTOR = 1.8
_BRIGHT = 0.30

FLIGHTS = {
    "flight1": FlightLine(
        number=101, middle=(150.0, 82.0), heading=0.0, altitude=505.0, speed=55.0, half_angle=19.0,
        lines_per_second=118, pulses_per_line=420, oscillating=True, start_time=396_512_345.0,
        range_sigma=0.022,
    ),
    "flight2": FlightLine(
        number=102, middle=(150.0, 172.0), heading=172.0, altitude=560.0, speed=58.0, half_angle=20.0,
        lines_per_second=122, pulses_per_line=500, oscillating=False, start_time=396_512_761.0,
        range_sigma=0.028,
    ),
}  # fmt: skip


def capture(name: str, works: Works, plants: Plants, seed: int) -> Cloud:
    """Return one of the laser flights.

    Parameters
    ----------
    name : str
        A key of :data:`FLIGHTS`.
    works, plants : Works, Plants
        What stands on the site.
    seed : int
        The site's seed.
    """
    line = FLIGHTS[name]
    dice, air = Dice(seed, name), Dice(seed, name.replace("flight", "echoes"))
    beams = fly(line, 340.0, dice)
    hits, ground = scan(beams, works, plants, dice)
    noise.add_birds(hits, beams, ground, air)
    if name == "flight1":  # it had settled when the second flight came
        noise.add_dust(hits, beams, air)
    returns = receive(hits)
    returns = noise.add_low_echoes(returns, beams, air)
    returns = noise.add_stray_light(returns, beams, ground, air)

    sigma = line.range_sigma * np.clip(np.sqrt(_BRIGHT / returns.energy), 1.0, FAINT_FACTOR)
    measured = returns.ranges + sigma * dice.normal(1.0, sigma.size)
    spots = beams.places(returns.pulse, measured)
    spots[:, 0] += dice.normal(PLACE_SIGMA, sigma.size)
    spots[:, 1] += dice.normal(PLACE_SIGMA, sigma.size)
    intensity = returns.energy * (300.0 / measured) ** 2 * 36_000.0 * np.exp(dice.normal(0.12, sigma.size))

    raw = to_raw(spots, SCALE)
    outside = ((raw[:, :2] < 0) | (raw[:, :2] * SCALE >= place.EXTENT)).any(axis=1)
    # A pulse is delivered with all of its returns or not at all.
    cut = np.zeros(len(beams), bool)
    cut[returns.pulse[outside]] = True
    keep = ~cut[returns.pulse]
    raw, returns = raw[keep], returns.take(keep)
    intensity = intensity[keep]
    pulse = returns.pulse
    number, count = numbering(pulse)
    columns: dict[str, NDArray[Any]] = {
        "intensity": np.clip(np.round(intensity), 1, 65535).astype(np.uint16),
        "return_number": (number + 1).astype(np.uint8),
        "number_of_returns": count.astype(np.uint8),
        "scan_direction_flag": beams.sweep[pulse],
        "edge_of_flight_line": beams.edge[pulse],
        "scan_angle": beams.angle[pulse],
        "point_source_id": np.full(pulse.size, line.number, np.uint16),
        "gps_time": beams.time[pulse],
    }
    return Cloud(raw, SCALE, returns.kind, columns, point_format=6)
