"""Room in the point records for labels that the standard has no field for."""

from __future__ import annotations

import struct
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from cloudprep.errors import BadInputError
from cloudprep.io.las.extra_bytes import (
    DESCRIPTOR,
    EXTRA_BYTES_ID,
    Dimensions,
    is_label,
    label_descriptor,
    undocumented_descriptors,
)
from cloudprep.io.las.records import LARGEST_PAYLOAD, SPECIFICATION_USER, VLR_HEADER, Record, make_vlr
from cloudprep.model.columns import COLUMNS, EXTRA_LABELS

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from numpy.typing import NDArray

    from cloudprep.io.las.flight import Flight

_LONGEST_RECORD = 0xFFFF
_LENGTH_AT = 20


@dataclass(frozen=True)
class ExtraPlan:
    """How labels fit behind the fields of the delivered points.

    Parameters
    ----------
    places : dict of str to int
        Where each label begins behind the standard's fields, bytes.
    size : int
        Extra bytes of a delivered point.
    descriptors : bytes or None
        Contents of the extra-bytes record; None where it stays as it is.
    replaces : Record or None
        The source's own extra-bytes record.
    warnings : tuple of str
        What the user should know.
    """

    places: dict[str, int]
    size: int
    descriptors: bytes | None = None
    replaces: Record | None = None
    warnings: tuple[str, ...] = ()


def plan_labels(flight: Flight, names: Sequence[str], height_unit: str = "m") -> ExtraPlan:
    """Find a place for labels: the one they have already, or new ones behind all other bytes.

    Bytes that no descriptor tells of get one that says so, since the place of a dimension is the sum of what
    is described before it.

    Parameters
    ----------
    flight : Flight
        The source.
    names : sequence of str
        Labels of :data:`cloudprep.model.columns.EXTRA_LABELS`.
    height_unit : str
        Unit of heights among them, for their description.

    Raises
    ------
    BadInputError
        If there is a dimension of that name and another kind, or no room.
    """
    if not names:
        return ExtraPlan({}, flight.extra_bytes)
    known = flight.dimensions
    places: dict[str, int] = {}
    parts = [d.raw for d in known.found]
    for name in names:
        at = next((i for i, d in enumerate(known.found) if d.name == name), None)
        if at is None:
            continue
        if not is_label(known.found[at]):
            raise BadInputError(flight.path, _clash(name, known.found[at].kind))
        places[name] = known.found[at].start
        # What it said of the old values (their range, say) may not hold for the new ones.
        parts[at] = label_descriptor(name, height_unit)
    size = flight.extra_bytes
    new = [n for n in names if n not in places]
    warnings: tuple[str, ...] = ()
    if new:
        parts += undocumented_descriptors(size - known.described, (d.name for d in known.found))
        for name in new:
            parts.append(label_descriptor(name, height_unit))
            places[name] = size
            size += COLUMNS[name].dtype.itemsize
        warnings = _left_out(known)
    elif known.record is not None and not known.whole:
        parts.append(known.record.payload[len(known.found) * DESCRIPTOR :])
    descriptors = b"".join(parts)
    if flight.layout.size + size > _LONGEST_RECORD or len(descriptors) > LARGEST_PAYLOAD:
        raise BadInputError(flight.path, f"its point records have no room for the extra dimension '{new[0]}'")
    if known.record is not None and descriptors == known.record.payload:
        return ExtraPlan(places, size)
    return ExtraPlan(places, size, descriptors, known.record, warnings)


def _clash(name: str, kind: str) -> str:
    wanted = COLUMNS[name]
    return (
        f"carries an extra dimension '{name}' of another kind ({kind}), where the pipeline would write"
        f" {wanted.dtype.name}, {wanted.unit or 'no unit'}; rename or remove it in the file, or leave out the"
        f" stage that provides '{name}'"
    )


def _left_out(known: Dimensions) -> tuple[str, ...]:
    if known.whole:
        return ()
    return ("its extra-bytes record describes more than its points hold; only what is there is described",)


def with_descriptors(plan: ExtraPlan, vlrs: Sequence[bytes]) -> list[bytes]:
    """Return records before the points with the extra-bytes record of a plan, in its old place if any."""
    if plan.descriptors is None:
        return list(vlrs)
    own = plan.replaces.raw if plan.replaces is not None else b""
    if own in vlrs and own:
        # Everything of its head but the length stays.
        length = struct.pack("<H", len(plan.descriptors))
        made = own[:_LENGTH_AT] + length + own[_LENGTH_AT + 2 : VLR_HEADER] + plan.descriptors
        at = list(vlrs).index(own)
        return [*vlrs[:at], made, *vlrs[at + 1 :]]
    made = make_vlr(SPECIFICATION_USER, EXTRA_BYTES_ID, "extra dimensions of the points", plan.descriptors)
    return [*vlrs, made]


def widened(records: NDArray[np.uint8], length: int) -> NDArray[np.uint8]:
    """Return records with zeros behind them, uint8, shape (n, length); the same ones if long enough."""
    if records.shape[1] == length:
        return records
    out = np.zeros((len(records), length), np.uint8)
    out[:, : records.shape[1]] = records
    return out


def patch_extra_labels(
    records: NDArray[np.uint8], standard: int, places: Mapping[str, int], labels: Mapping[str, NDArray[Any]]
) -> None:
    """Write labels into the extra bytes of records, in place.

    Parameters
    ----------
    records : ndarray of uint8, shape (n, record_length)
        Changed in place.
    standard : int
        Bytes of a record before its extra bytes.
    places : mapping of str to int
        Where each label begins behind them.
    labels : mapping of str to ndarray of shape (n,)
        At least the labels that have a place.
    """
    for name, place in places.items():
        dtype = COLUMNS[name].dtype.newbyteorder("<")
        stored = (
            np.ascontiguousarray(labels[name], dtype).view(np.uint8).reshape(len(records), dtype.itemsize)
        )
        records[:, standard + place : standard + place + dtype.itemsize] = stored


def check_room_for_labels(flight: Flight, names: Iterable[str]) -> None:
    """Check before any work that a flight can be delivered with labels that the standard has no field for.

    Parameters
    ----------
    flight : Flight
        An opened flight.
    names : iterable of str
        Labels that the stages provide; those of the standard are passed over.

    Raises
    ------
    BadInputError
        If it carries a dimension of that name and another kind, or its records have no room.
    """
    plan_labels(flight, [n for n in names if n in EXTRA_LABELS])
