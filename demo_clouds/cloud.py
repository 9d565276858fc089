"""A flight and its truth as columns, and the files they are written to."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import laspy
import numpy as np
from laspy.header import GpsTimeType
from laspy.vlrs.known import WktCoordinateSystemVlr

from . import place, terrain
from .kinds import class_codes

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from numpy.typing import NDArray

# Fixed, so that the same seed gives the same bytes on any day.
_CREATED = dt.date(2024, 4, 8)
# True heights are stored in steps of 1/1024 m: exact in float32, and its last bytes compress to nothing.
_HEIGHT_STEPS = 1024.0


@dataclass(frozen=True)
class Cloud:
    """One flight.

    Parameters
    ----------
    raw : ndarray of shape (n, 3)
        Stored integers of x, y (from the site's corner) and height.
    scale : float
        Metres of one integer step.
    kind : ndarray of shape (n,)
        What each point hit (:class:`demo_clouds.kinds.Kind`).
    columns : mapping of str to ndarray of shape (n,)
        The other dimensions, under laspy's names.
    point_format : int
        LAS point format.
    """

    raw: NDArray[np.int32]
    scale: float
    kind: NDArray[np.uint8]
    columns: Mapping[str, NDArray[Any]]
    point_format: int


def to_raw(places: NDArray[np.float64], scale: float) -> NDArray[np.int32]:
    """Return coordinates (m) as whole steps of ``scale``."""
    return np.round(places / scale).astype(np.int32)


def _blank(cloud: Cloud, point_format: int) -> laspy.LasHeader:
    header = laspy.LasHeader(version="1.4", point_format=point_format)
    header.scales = np.full(3, cloud.scale)
    header.offsets = np.array([*place.ORIGIN, 0.0])
    header.file_source_id = int(cloud.columns["point_source_id"][0])
    header.creation_date = _CREATED
    header.generating_software = "demo_clouds"
    header.system_identifier = "invented"
    header.global_encoding.gps_time_type = GpsTimeType.STANDARD
    header.global_encoding.wkt = True
    header.vlrs.append(WktCoordinateSystemVlr(place.WKT))
    return header


def _fill(las: laspy.LasData, cloud: Cloud) -> None:
    las.X, las.Y, las.Z = cloud.raw.T


def write_flight(cloud: Cloud, path: Path) -> None:
    """Write a flight as delivered: never classified (class 0 everywhere)."""
    las = laspy.LasData(_blank(cloud, cloud.point_format))
    _fill(las, cloud)
    for name, values in cloud.columns.items():
        las[name] = values
    las.write(str(path))


def write_truth(cloud: Cloud, path: Path) -> None:
    """Write a flight's truth: the same points in the same order with class, kind and true ground height."""
    header = _blank(cloud, 6)
    header.add_extra_dims(
        [
            laspy.ExtraBytesParams("kind", np.uint8, description="what was hit, see README"),
            laspy.ExtraBytesParams("true_ground", np.float32, description="ground height below, m"),
        ]
    )
    las = laspy.LasData(header)
    _fill(las, cloud)
    local = cloud.raw * np.float64(cloud.scale)
    ground = terrain.height(local[:, 0], local[:, 1])
    las.return_number = np.ones(len(local), np.uint8)
    las.number_of_returns = np.ones(len(local), np.uint8)
    las.classification = class_codes(cloud.kind, local[:, 2] - ground)
    las.kind = cloud.kind
    las.true_ground = (np.round(ground * _HEIGHT_STEPS) / _HEIGHT_STEPS).astype(np.float32)
    las.write(str(path))
