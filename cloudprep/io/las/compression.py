"""What the LAZ record of a file says about its compression, checked against the point format."""

from __future__ import annotations

import struct
from dataclasses import dataclass

from cloudprep.io.las.layout import LAYOUTS

_VARIOUS_LENGTHS = 0xFFFFFFFF
_FIXED_PART = struct.Struct("<HHBBHIIqqH")
_ITEM = struct.Struct("<HHH")

_WHOLE_FILE, _IN_CHUNKS, _IN_LAYERS = 1, 2, 3

# Item kinds of the LAZ format, and the versions of each that the decompressor gives back right (measured with
# lazrs 0.8: version 1 of colours, of about 2010, comes back wrong without an error, so it is refused).
_BYTES, _CORE, _TIME, _COLOUR, _WAVES = 0, 6, 7, 8, 9
_CORE_14, _COLOUR_14, _COLOUR_NIR_14, _WAVES_14, _BYTES_14 = 10, 11, 12, 13, 14
_KNOWN_VERSIONS = {
    _BYTES: {1, 2},
    _CORE: {1, 2},
    _TIME: {1, 2},
    _COLOUR: {2},
    _WAVES: {1, 2},
    _CORE_14: {3},
    _COLOUR_14: {3},
    _COLOUR_NIR_14: {3},
    _WAVES_14: {3},
    _BYTES_14: {3},
}
_LAYERS = {_CORE_14: 9, _COLOUR_14: 1, _COLOUR_NIR_14: 2, _WAVES_14: 1}


class CompressionError(ValueError):
    """Why a file's compression can't be undone, in words for people."""


@dataclass(frozen=True)
class Compression:
    """How a file's points are compressed.

    Parameters
    ----------
    record : bytes
        The record's contents, as the decompressor wants them.
    chunk_points : int
        Points in each chunk; 0 where chunks are of various lengths.
    layered : bool
        Whether each chunk keeps its fields in separate layers (formats 6 to 10).
    layers : int
        Layers of a chunk; 0 where not layered.
    """

    record: bytes
    chunk_points: int
    layered: bool
    layers: int


def read_compression(record: bytes, point_format: int, record_length: int) -> Compression:
    """Read and check the record that describes the compression.

    Parameters
    ----------
    record : bytes
        Contents of the record ``laszip encoded``, 22204.
    point_format, record_length : int
        What the header says about the points.

    Returns
    -------
    Compression
        The facts.

    Raises
    ------
    CompressionError
        If they contradict the point format, or the decompressor can't undo this kind.
    """
    if len(record) < _FIXED_PART.size:
        raise CompressionError("the record that describes the compression is cut short")
    kind, coder, _, _, _, _, chunk_points, _, _, item_count = _FIXED_PART.unpack_from(record)
    if len(record) < _FIXED_PART.size + item_count * _ITEM.size:
        raise CompressionError("the record that describes the compression is cut short")
    items = [_ITEM.unpack_from(record, _FIXED_PART.size + n * _ITEM.size) for n in range(item_count)]
    if kind == _WHOLE_FILE:
        raise CompressionError(
            "its points are compressed in one piece, an old kind that can't be undone here"
        )
    layout = LAYOUTS[point_format]
    if kind != (_IN_CHUNKS if layout.legacy else _IN_LAYERS) or coder != 0:
        raise CompressionError(
            f"compression of kind {kind}, coder {coder} can't be undone for point format {point_format}"
        )
    if [item[:2] for item in items] != _expected_items(point_format, record_length):
        raise CompressionError(
            f"the record that describes the compression contradicts point format {point_format}"
            f" with records of {record_length} bytes"
        )
    for item, _, version in items:
        if version not in _KNOWN_VERSIONS[item]:
            raise CompressionError(
                f"version {version} of the compression of point field {item} can't be undone rightly here"
            )
    if chunk_points == 0:
        raise CompressionError("the record that describes the compression gives chunks of 0 points")
    layers = sum(size if item == _BYTES_14 else _LAYERS.get(item, 0) for item, size, _ in items)
    return Compression(
        record=record,
        chunk_points=0 if chunk_points == _VARIOUS_LENGTHS else chunk_points,
        layered=kind == _IN_LAYERS,
        layers=layers,
    )


def _expected_items(point_format: int, record_length: int) -> list[tuple[int, int]]:
    """Return kind and size of the items that a point format is compressed as."""
    layout = LAYOUTS[point_format]
    if layout.legacy:
        items = [(_CORE, 20)]
        if layout.time is not None:
            items.append((_TIME, 8))
        if layout.colour is not None:
            items.append((_COLOUR, 6))
        if layout.waves is not None:
            items.append((_WAVES, 29))
        more = _BYTES
    else:
        items = [(_CORE_14, 30)]
        if layout.near_infrared is not None:
            items.append((_COLOUR_NIR_14, 8))
        elif layout.colour is not None:
            items.append((_COLOUR_14, 6))
        if layout.waves is not None:
            items.append((_WAVES_14, 29))
        more = _BYTES_14
    extra = record_length - layout.size
    return [*items, (more, extra)] if extra else items


def same_items(record: bytes, other: bytes) -> bool:
    """Tell whether two records describe the same kind of compression of the same items.

    The length of chunks and the versions of programs play no role.
    """

    def essentials(data: bytes) -> tuple[object, ...]:
        kind, coder, _, _, _, _, _, _, _, count = _FIXED_PART.unpack_from(data)
        return kind, coder, data[_FIXED_PART.size : _FIXED_PART.size + count * _ITEM.size]

    return essentials(record) == essentials(other)
