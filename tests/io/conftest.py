"""LAS and LAZ files built and taken apart by hand, independently of the package."""

from __future__ import annotations

import io
import struct
from dataclasses import dataclass, field
from pathlib import Path  # noqa: TC003
from types import SimpleNamespace

import lazrs
import numpy as np
import pytest

# Sizes of point records, from the tables of the LAS standard (1.4-R15).
RECORD_SIZES = (20, 28, 26, 34, 57, 63, 30, 36, 38, 59, 67)
WAVE_PACKETS = {4: 28, 5: 34, 9: 30, 10: 38}
HEADER_SIZES = {0: 227, 1: 227, 2: 227, 3: 235, 4: 375}
# The oldest version that knows each point format.
OLDEST_MINOR = {0: 0, 1: 0, 2: 2, 3: 2, 4: 3, 5: 3, 6: 4, 7: 4, 8: 4, 9: 4, 10: 4}


def vlr(user: str | bytes, number: int, payload: bytes, description: bytes = b"", reserved: int = 0) -> bytes:
    """Return a VLR; text fields may hold rubbish after a terminating zero."""
    user = user.encode() if isinstance(user, str) else user
    return struct.pack("<H16sHH32s", reserved, user, number, len(payload), description) + payload


def evlr(user: str | bytes, number: int, payload: bytes, description: bytes = b"") -> bytes:
    """Return an extended VLR."""
    user = user.encode() if isinstance(user, str) else user
    return struct.pack("<H16sHQ32s", 0, user, number, len(payload), description) + payload


def geokeys(*keys: tuple[int, int, int, int]) -> bytes:
    """Return a GeoTIFF key directory."""
    flat = [value for key in keys for value in key]
    return struct.pack(f"<{4 + len(flat)}H", 1, 1, 0, len(keys), *flat)


def random_records(point_format: int, count: int, extra: int = 0, seed: int = 0) -> np.ndarray:
    """Return records of random bytes, uint8, shape (count, size): any bit pattern must survive.

    Coordinates are kept moderate, so that bounding boxes mean something. Scanner channels are kept at 0 in
    formats with wave packets: lazrs 0.8 garbles wave packets of mixed channels.
    """
    rng = np.random.default_rng(seed)
    records = rng.integers(0, 256, (count, RECORD_SIZES[point_format] + extra), dtype=np.uint8)
    steps = rng.integers(-40_000, 40_000, (count, 3)).astype("<i4")
    records[:, :12] = steps.view(np.uint8).reshape(count, 12)
    if point_format in {9, 10}:
        records[:, 15] &= 0xCF
    return records


@dataclass
class Parts:
    """What a LAS file is made of; ``build`` puts it together with counts and extents that are right."""

    point_format: int = 1
    minor: int = 2
    records: np.ndarray = field(default_factory=lambda: random_records(1, 60))
    vlrs: list[bytes] = field(default_factory=list)
    evlrs: list[bytes] = field(default_factory=list)
    padding: bytes = b""
    user_header: bytes = b""
    scales: tuple[float, float, float] = (0.01, 0.01, 0.01)
    offsets: tuple[float, float, float] = (500_000.0, 4_000_000.0, 100.0)
    encoding: int = 0
    compress: bool = False
    chunk_points: int | None = None
    waveforms: bytes = b""
    legacy_counts: bool | None = None
    # Byte offset in the header -> (struct format, value), written last.
    overrides: dict[int, tuple[str, object]] = field(default_factory=dict)


def build(parts: Parts) -> bytes:
    """Return the bytes of a file."""
    records = parts.records
    count, length = records.shape
    vlrs = list(parts.vlrs)
    points = records.tobytes()
    extra = length - RECORD_SIZES[parts.point_format]
    if parts.compress:
        variable = parts.chunk_points == 0
        laz = lazrs.LazVlr.new_for_compression(parts.point_format, extra, variable)
        record = bytearray(laz.record_data())
        if parts.chunk_points:
            struct.pack_into("<I", record, 12, parts.chunk_points)
        vlrs.append(vlr(b"laszip encoded\0?", 22204, bytes(record), b"compressed by a test"))
    header_size = HEADER_SIZES[parts.minor] + len(parts.user_header)
    start = header_size + sum(map(len, vlrs)) + len(parts.padding)
    if parts.compress:
        points = _compressed(records, bytes(record), start, parts.chunk_points)
    header = bytearray(header_size)
    header[:4] = b"LASF"
    struct.pack_into("<HH", header, 4, 7, parts.encoding)
    header[8:24] = bytes(range(16))
    header[24:26] = bytes((1, parts.minor))
    header[26:58] = b"MADE UP\0rubbish after the zero..".ljust(32, b"\0")[:32]
    header[58:90] = b"no such software\0\xff\xfe\xfd".ljust(32, b"\1")
    struct.pack_into("<HHHIIBHI", header, 90, 123, 2021, header_size, start, len(vlrs), 0, length, 0)
    header[104] = parts.point_format | (0x80 if parts.compress else 0)
    returns = records[:, 14] & (0x07 if parts.point_format < 6 else 0x0F)
    by_return = np.bincount(returns, minlength=16)[1:]
    legacy = parts.point_format < 6 if parts.legacy_counts is None else parts.legacy_counts
    if legacy:
        struct.pack_into("<I5I", header, 107, count, *by_return[:5].tolist())
    struct.pack_into("<6d", header, 131, *parts.scales, *parts.offsets)
    if count:
        steps = np.ascontiguousarray(records[:, :12]).view("<i4")
        high = steps.max(axis=0) * np.array(parts.scales) + np.array(parts.offsets)
        low = steps.min(axis=0) * np.array(parts.scales) + np.array(parts.offsets)
        struct.pack_into("<6d", header, 179, high[0], low[0], high[1], low[1], high[2], low[2])
    tail_start = start + len(points)
    if parts.minor >= 3 and parts.waveforms:
        struct.pack_into("<Q", header, 227, tail_start)
    if parts.minor >= 4:
        if parts.evlrs:
            struct.pack_into("<QI", header, 235, tail_start + len(parts.waveforms), len(parts.evlrs))
        struct.pack_into("<Q15Q", header, 247, count, *by_return.tolist())
    header[HEADER_SIZES[parts.minor] :] = parts.user_header
    for offset, (kind, value) in parts.overrides.items():
        struct.pack_into("<" + kind, header, offset, value)
    head = bytes(header) + b"".join(vlrs) + parts.padding
    return head + points + parts.waveforms + b"".join(parts.evlrs)


def _compressed(records: np.ndarray, record: bytes, start: int, chunk_points: int | None) -> bytes:
    """Return compressed points whose pointer to the chunk table counts from the file's beginning."""
    output = io.BytesIO()
    output.write(bytes(start))
    compressor = lazrs.LasZipCompressor(output, lazrs.LazVlr(record))
    if chunk_points == 0:
        # Chunks of various lengths: 7, 14, 21 ... points.
        first, step = 0, 7
        while first < len(records):
            compressor.compress_many(np.ascontiguousarray(records[first : first + step]).reshape(-1))
            first, step = first + step, step + 7
            if first < len(records):
                compressor.finish_current_chunk()
    else:
        compressor.compress_many(np.ascontiguousarray(records).reshape(-1))
    compressor.done()
    return output.getvalue()[start:]


def parse(path: Path) -> SimpleNamespace:
    """Take a file apart: header, VLRs (whole bytes), padding, records (uncompressed), tail."""
    data = path.read_bytes()
    minor = data[25]
    header_size, start, vlr_count = struct.unpack_from("<HII", data, 94)
    count = struct.unpack_from("<I", data, 107)[0]
    if minor >= 4:
        count = struct.unpack_from("<Q", data, 247)[0]
    length = struct.unpack_from("<H", data, 105)[0]
    vlrs, position, laz = [], header_size, None
    for _ in range(vlr_count):
        size = struct.unpack_from("<H", data, position + 20)[0]
        vlrs.append(data[position : position + 54 + size])
        if vlrs[-1][2:16] == b"laszip encoded":
            laz = vlrs[-1][54:]
        position += 54 + size
    if data[104] & 0x80:
        raw = bytearray(count * length)
        source = io.BytesIO(data)
        source.seek(start)
        # The sequential decompressor: another one than the package uses.
        if count:
            lazrs.LasZipDecompressor(source, laz).decompress_many(raw)
        end = None
    else:
        end = start + count * length
        raw = data[start:end]
    waveform_start = struct.unpack_from("<Q", data, 227)[0] if minor >= 3 else 0
    evlr_start, evlr_count = struct.unpack_from("<QI", data, 235) if minor >= 4 else (0, 0)
    starts = [place for place in (waveform_start, evlr_start if evlr_count else 0) if place]
    if end is None:
        end = min(starts, default=len(data))
    evlrs = []
    place = evlr_start
    for _ in range(evlr_count):
        size = struct.unpack_from("<Q", data, place + 20)[0]
        evlrs.append(data[place : place + 60 + size])
        place += 60 + size
    return SimpleNamespace(
        data=data,
        header=data[:header_size],
        vlrs=vlrs,
        padding=data[position:start],
        records=np.frombuffer(bytes(raw), np.uint8).reshape(count, length),
        tail=data[end:],
        evlrs=evlrs,
        waveform_start=waveform_start,
        evlr_start=evlr_start,
        point_format=data[104] & 0x7F,
        compressed=bool(data[104] & 0x80),
        count=count,
    )


class Las:
    """The tools above, in one fixture."""

    Parts = Parts
    RECORD_SIZES = RECORD_SIZES
    WAVE_PACKETS = WAVE_PACKETS
    OLDEST_MINOR = OLDEST_MINOR
    vlr = staticmethod(vlr)
    evlr = staticmethod(evlr)
    geokeys = staticmethod(geokeys)
    random_records = staticmethod(random_records)
    build = staticmethod(build)
    parse = staticmethod(parse)

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def file(self, name: str, **parts: object) -> Path:
        """Build a file with these parts, and return its path."""
        path = self.folder / name
        path.write_bytes(build(Parts(**parts)))  # type: ignore[arg-type]
        return path


@pytest.fixture
def las(tmp_path: Path) -> Las:
    return Las(tmp_path)
