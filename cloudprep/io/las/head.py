"""The bytes of a delivered file before its points: the source's own, with what has to differ."""

from __future__ import annotations

import struct
from dataclasses import dataclass
from typing import TYPE_CHECKING

import lazrs

from cloudprep.errors import BadInputError
from cloudprep.io.las.compression import read_compression, same_items
from cloudprep.io.las.extra_labels import plan_labels, with_descriptors
from cloudprep.io.las.geokeys import DIRECTORY_ID, DOUBLES_ID, TEXT_ID
from cloudprep.io.las.header import (
    COMPRESSED,
    ENCODING,
    EXTENDED_HEADER,
    HEADER_SIZE,
    OFFSET_TO_POINTS,
    POINT_FORMAT,
    SHORTEST_HEADER,
    VERSION,
    WAVEFORM_HEADER,
    WKT_BIT,
)
from cloudprep.io.las.layout import LAYOUTS, Layout
from cloudprep.io.las.opening import open_source
from cloudprep.io.las.records import (
    LARGEST_PAYLOAD,
    LASZIP_ID,
    LASZIP_USER,
    PROJECTION_USER,
    SPECIFICATION_USER,
    SUPERSEDED_ID,
    make_vlr,
)
from cloudprep.io.las.upgrade import MODERN_FORMAT, what_upgrade_adds

if TYPE_CHECKING:
    from collections.abc import Sequence

    from cloudprep.io.las.extra_labels import ExtraPlan
    from cloudprep.io.las.flight import Flight

_KEY_IDS = {DIRECTORY_ID, DOUBLES_ID, TEXT_ID}
_WKT_ID = 2112
# A source's own chunk length is kept within these bounds: it is buffered in memory while writing.
_SANE_CHUNKS = range(1_000, 1_000_001)


@dataclass
class Head:
    """What comes before the points.

    Parameters
    ----------
    header : bytearray
        The public header; completed when the points have gone through.
    vlrs : list of bytes
        The records.
    padding : bytes
        What lies between the records and the points.
    layout : Layout
        Of the delivered points.
    record_length : int
        Bytes of a delivered point.
    compression : bytes or None
        Contents of the record that describes the compression; None for ``.las``.
    upgraded : bool
        Whether the point format changes.
    extra : ExtraPlan
        Where labels lie that the standard has no field for.
    warnings : tuple of str
        What the user should know.
    """

    header: bytearray
    vlrs: list[bytes]
    padding: bytes
    layout: Layout
    record_length: int
    compression: bytes | None
    upgraded: bool
    extra: ExtraPlan
    warnings: tuple[str, ...]

    @property
    def size(self) -> int:
        """Where the points will begin, bytes."""
        return len(self.header) + sum(len(vlr) for vlr in self.vlrs) + len(self.padding)

    def as_bytes(self) -> bytes:
        """Return the whole head."""
        return bytes(self.header) + b"".join(self.vlrs) + self.padding


def plan_head(
    flight: Flight,
    *,
    compress: bool,
    upgrade: bool,
    extra_labels: Sequence[str] = (),
    height_unit: str = "m",
) -> Head:
    """Return the head of the delivered file.

    Parameters
    ----------
    flight : Flight
        The source.
    compress : bool
        Whether LAZ is written.
    upgrade : bool
        Whether points of formats 0 to 5 become formats 6 to 10; the header then becomes one of LAS 1.4.
    extra_labels : sequence of str
        Labels to deliver that the standard has no field for.
    height_unit : str
        Unit of heights among them, for their description.

    Returns
    -------
    Head
        With every field set but counts, extents and what lies behind the points.
    """
    header = bytearray(flight.header.raw)
    point_format = flight.point_format
    extra = plan_labels(flight, extra_labels, height_unit)
    warnings = list(extra.warnings)
    if upgrade:
        point_format = MODERN_FORMAT[flight.point_format]
        header = _grown(flight)
        warnings += what_upgrade_adds(flight.point_format)
    length = LAYOUTS[point_format].size + extra.size
    vlrs = [record.raw for record in flight.vlrs if not (flight.copc and record.is_copc)]
    vlrs = with_descriptors(extra, vlrs)
    if flight.copc:
        warnings.append("the COPC index isn't carried: the file is written as plain LAS or LAZ")
    if upgrade:
        vlrs = _with_text(flight, vlrs, warnings)
    compression = None
    if compress:
        compression, vlrs = _with_compression(flight, vlrs, point_format, length)
    elif flight.compressed:
        vlrs = [vlr for vlr in vlrs if not _is_a(vlr, LASZIP_USER, {LASZIP_ID})]
    with open_source(flight.path, expected=(flight.size_bytes, flight.modified_ns)) as file:
        file.seek(flight.vlr_end)
        padding = file.read(flight.header.offset_to_points - flight.vlr_end)
    layout = LAYOUTS[point_format]
    head = Head(header, vlrs, padding, layout, length, compression, upgrade, extra, tuple(warnings))
    if head.size > 0xFFFFFFFF:
        raise BadInputError(flight.path, "its records before the points are too long")
    struct.pack_into("<II", header, OFFSET_TO_POINTS, head.size, len(vlrs))
    struct.pack_into("<BH", header, POINT_FORMAT, point_format | (COMPRESSED if compress else 0), length)
    return head


def _is_a(vlr: bytes, user: str, numbers: set[int]) -> bool:
    name = vlr[2:18].split(b"\0", 1)[0].decode("latin-1").rstrip()
    return name == user and struct.unpack_from("<H", vlr, 18)[0] in numbers


def _grown(flight: Flight) -> bytearray:
    """Return the header as one of LAS 1.4; bytes that users put behind the old one come behind the new."""
    old = flight.header.raw
    if flight.header.extended:
        own = EXTENDED_HEADER
    else:
        own = WAVEFORM_HEADER if flight.header.has_waveform_field else SHORTEST_HEADER
    header = bytearray(old[:own].ljust(EXTENDED_HEADER, b"\0") + old[own:])
    encoding = flight.header.encoding
    if flight.version < (1, 2):
        # The field came with 1.2 (time) and was reserved before.
        encoding = 0
    header[VERSION : VERSION + 2] = bytes((1, 4))
    struct.pack_into("<H", header, ENCODING, encoding | WKT_BIT)
    struct.pack_into("<H", header, HEADER_SIZE, len(header))
    return header


def _with_text(flight: Flight, vlrs: list[bytes], warnings: list[str]) -> list[bytes]:
    """Give the reference system as WKT, which formats 6 to 10 ask for.

    The GeoTIFF keys are then marked as superseded (record id 7 of LASF_Spec): the standard calls keys in
    formats 6 to 10 an error, and has this id for records that hold no longer; their contents stay readable.
    """
    if flight.crs.source not in {"WKT", "GeoTIFF keys"}:
        return vlrs
    if flight.crs.source == "GeoTIFF keys":
        # Imported late: it opens the database of pyproj.
        from cloudprep.io.las.systems import as_wkt1  # noqa: PLC0415

        text = as_wkt1(flight.crs.wkt) if flight.crs.wkt is not None else None
        payload = text.encode() + b"\0" if text is not None else b""
        if not payload or len(payload) > LARGEST_PAYLOAD:
            warnings.append(
                "the GeoTIFF keys can't be turned into the WKT that the upgraded point format asks for;"
                " they are left as they are"
            )
            return vlrs
        vlrs = [*vlrs, make_vlr(PROJECTION_USER, _WKT_ID, "WKT of the GeoTIFF keys", payload)]
    return [_superseded(vlr) if _is_a(vlr, PROJECTION_USER, _KEY_IDS) else vlr for vlr in vlrs]


def _superseded(vlr: bytes) -> bytes:
    return vlr[:2] + struct.pack("<16sH", SPECIFICATION_USER.encode(), SUPERSEDED_ID) + vlr[20:]


def _with_compression(
    flight: Flight, vlrs: list[bytes], point_format: int, length: int
) -> tuple[bytes, list[bytes]]:
    """Return the record that describes the compression, and the records with it.

    A source's own record is kept to the byte where what it says will be true of the delivered file.
    """
    extra = length - LAYOUTS[point_format].size
    fresh = bytes(lazrs.LazVlr.new_for_compression(point_format, extra).record_data())
    if flight.compression is not None and flight.compression.chunk_points in _SANE_CHUNKS:
        own = flight.compression.record
        if same_items(own, fresh):
            return own, vlrs
    read_compression(fresh, point_format, length)
    vlr = make_vlr(LASZIP_USER, LASZIP_ID, "how the points are compressed", fresh)
    places = [n for n, other in enumerate(vlrs) if _is_a(other, LASZIP_USER, {LASZIP_ID})]
    if not places:
        return fresh, [*vlrs, vlr]
    vlrs = [vlr if n == places[0] else other for n, other in enumerate(vlrs) if n not in places[1:]]
    return fresh, vlrs
