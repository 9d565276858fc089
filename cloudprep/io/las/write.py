"""Delivering a flight: the source's own records, with changed labels and nothing else changed."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, BinaryIO, Literal

import numpy as np

from cloudprep.errors import BadInputError, OutputError
from cloudprep.io.atomic import sha256_of, whole_file
from cloudprep.io.las.census import Census, complete_header
from cloudprep.io.las.extra_labels import patch_extra_labels, widened
from cloudprep.io.las.head import Head, plan_head
from cloudprep.io.las.label_rows import ArrayLabels, LabelRows, codes_in
from cloudprep.io.las.labels import class_codes, patch_labels
from cloudprep.io.las.sinks import CompressedSink, PlainSink, Sink
from cloudprep.io.las.stream import iter_records
from cloudprep.io.las.tail import copy_tail
from cloudprep.io.las.upgrade import upgraded_records
from cloudprep.model.classes import LARGEST_LEGACY_CODE, NOISE_CODES, ClassCode
from cloudprep.model.columns import EXTRA_LABELS

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from cloudprep.io.las.coordinates import CoordinatePatch
    from cloudprep.io.las.flight import Flight
    from cloudprep.io.las.kept import KeptRecords

# Whole chunks of 50,000 points, several for each core.
_BATCH_POINTS = 500_000


@dataclass(frozen=True)
class WriteOptions:
    """How a flight is delivered.

    Parameters
    ----------
    format : {"laz", "las"}
        Compressed or not.
    drop_noise : bool
        Leave out points of classes 7 and 18 instead of delivering them labelled.
    las_version : {"keep", "1.4"}
        Whether flights of point formats 0 to 5 become LAS 1.4 with formats 6 to 10.
    height_unit : str
        Unit of heights among the labels, for their description.
    """

    format: Literal["laz", "las"] = "laz"
    drop_noise: bool = False
    las_version: Literal["keep", "1.4"] = "keep"
    height_unit: str = "m"


@dataclass(frozen=True)
class WrittenCloud:
    """What was delivered.

    Parameters
    ----------
    path : Path
        The file.
    count : int
        Points in it.
    sha256 : str
        Checksum of its bytes.
    warnings : tuple of str
        What the user should know.
    outside : int
        Points of the source that were left out because they lie outside.
    box : tuple of float
        Least x, y and z and most x, y and z of its points, in the file's unit.
    """

    path: Path
    count: int
    sha256: str
    warnings: tuple[str, ...]
    outside: int = 0
    box: tuple[float, ...] = ()


class NothingWithinError(Exception):
    """No point of a flight lies where points are to be delivered: there is no file."""


def write_patched(
    flight: Flight,
    target: Path,
    labels: Mapping[str, NDArray[Any]] | LabelRows,
    options: WriteOptions | None = None,
    progress: Callable[[int], None] | None = None,
    within: Callable[[NDArray[np.int32], NDArray[np.int32]], NDArray[np.bool_]] | None = None,
    moving: CoordinatePatch | None = None,
    kept: KeptRecords | None = None,
) -> WrittenCloud:
    """Write a flight with new labels; everything else comes out as it is in the source, to the bit.

    Header fields, records, padding, extra bytes, extended records, waveforms and the order of points are the
    source's. Counts, numbers by return and the bounding box are recomputed where they were wrong. The source
    is streamed: memory does not grow with the file.

    Parameters
    ----------
    flight : Flight
        The source.
    target : Path
        The file to write; it appears whole or not at all.
    labels : mapping of str to ndarray of shape (flight.count,), or LabelRows
        ``classification`` (uint8), ``withheld`` (bool) and labels that the standard has no field for
        (``ground_confidence``, uint8), any of them, in source order. Class codes are those of the source's
        point format. A label without a field is delivered as an extra dimension: in its old place where the
        source has it, else behind all other bytes of a point.
    options : WriteOptions, optional
        How to deliver.
    progress : callable, optional
        Told after every batch how many source points it had.
    within : callable, optional
        Given X and Y as they are stored, tells which points to deliver; by default all.
    moving : CoordinatePatch, optional
        Gives the points new coordinates; ``within`` sees the old ones. The bounding box follows.
    kept : KeptRecords, optional
        All records of the flight, which are then used up instead of being decompressed again.

    Returns
    -------
    WrittenCloud
        Path, number of points, checksum and warnings.

    Raises
    ------
    NothingWithinError
        If no point is to be delivered.
    BadInputError
        If the source can't be read to its end, or carries a label's name in another kind.
    OutputError
        If the file can't be written, or can't hold what it should.
    ValueError
        If labels are of other names, lengths or types.
    """
    options = options or WriteOptions()
    target = Path(target)
    rows = ArrayLabels(labels, flight.count) if isinstance(labels, Mapping) else labels
    if _is_same_file(target, flight.path):
        raise OutputError(f"{target}: this is an input; inputs are never changed")
    upgrade = options.las_version == "1.4" and flight.layout.legacy
    warnings = _code_warnings(flight, target, rows, upgrade=upgrade)
    extra = [name for name in EXTRA_LABELS if name in rows.names]
    head = plan_head(
        flight,
        compress=options.format == "laz",
        upgrade=upgrade,
        extra_labels=extra,
        height_unit=options.height_unit,
    )
    warnings += head.warnings
    with whole_file(target) as part:
        with part.open("wb") as output:
            written, outside, more = _write(
                flight, target, rows, options, head, output, progress, within, moving, kept
            )
        if within is not None and outside == flight.count:
            raise NothingWithinError
        warnings += more
        checksum = sha256_of(part)
    return WrittenCloud(target, written.count, checksum, warnings, outside, _box(flight, written))


def _box(flight: Flight, written: Census) -> tuple[float, ...]:
    ends = (written.low, written.high)
    return tuple(
        raw * scale + offset
        for end in ends
        for raw, scale, offset in zip(end, flight.scales, flight.offsets, strict=bool(end))
    )


def _write(
    flight: Flight,
    target: Path,
    labels: LabelRows,
    options: WriteOptions,
    head: Head,
    output: BinaryIO,
    progress: Callable[[int], None] | None,
    within: Callable[[NDArray[np.int32], NDArray[np.int32]], NDArray[np.bool_]] | None,
    moving: CoordinatePatch | None,
    kept: KeptRecords | None,
) -> tuple[Census, int, tuple[str, ...]]:
    output.write(head.as_bytes())
    sink: Sink = PlainSink(output) if head.compression is None else CompressedSink(output, head.compression)
    read = Census(head.layout)
    same = not options.drop_noise and within is None and moving is None
    written = read if same else Census(head.layout)
    outside = 0
    for start, source in iter_records(flight, _BATCH_POINTS) if kept is None else kept.take():
        _check_waves(flight, target, source, compress=head.compression is not None)
        records = upgraded_records(source, flight.layout) if head.upgraded else source
        records = widened(records, head.record_length)
        here = labels.stretch(slice(start, start + len(records)))
        patch_labels(records, head.layout, here, upgraded=head.upgraded)
        patch_extra_labels(records, head.layout.size, head.extra.places, here)
        read.add(records)
        if within is not None:
            x, y = (np.ascontiguousarray(records[:, at : at + 4]).view("<i4")[:, 0] for at in (0, 4))
            records = records[within(x, y)]
            outside += len(source) - len(records)
        if options.drop_noise:
            records = records[~np.isin(class_codes(records, head.layout), NOISE_CODES)]
        if moving is not None:
            moving.patch(records)
        if written is not read:
            written.add(records)
        sink.write(records)
        if progress is not None:
            progress(len(source))
    sink.finish()
    output.seek(0, 2)
    replaced = head.extra.replaces
    warnings = copy_tail(flight, output, head.header, upgraded=head.upgraded, replaced=replaced)
    warnings += complete_header(head.header, flight, read, written, modern=head.upgraded)
    output.seek(0)
    output.write(head.header)
    return written, outside, warnings


def _is_same_file(first: Path, second: Path) -> bool:
    try:
        return first.samefile(second)
    except OSError:
        return False


def _code_warnings(flight: Flight, target: Path, labels: LabelRows, *, upgrade: bool) -> tuple[str, ...]:
    """Refuse codes that five bits can't hold, and warn about the one that the standard reserves there."""
    if "classification" not in labels.names or upgrade or not flight.layout.legacy or not len(labels):
        return ()
    occurs = codes_in(labels)
    largest = int(np.flatnonzero(occurs)[-1])
    if largest > LARGEST_LEGACY_CODE:
        raise OutputError(
            f"{target}: class {largest} doesn't fit point format {flight.point_format} (classes up to 31);"
            ' put las_version: "1.4" under output: in the pipeline'
        )
    if occurs[ClassCode.HIGH_NOISE]:
        words = (
            f"high noise is written as class 18, which the standard reserves in point format"
            f' {flight.point_format}; las_version: "1.4" under output: gives it its proper place'
        )
        return (words,)
    return ()


def _check_waves(flight: Flight, target: Path, records: NDArray[np.uint8], *, compress: bool) -> None:
    """Refuse wave packets of several scanner channels in LAZ: measured, lazrs 0.8 garbles them."""
    if flight.layout.legacy or flight.layout.waves is None or not (compress or flight.compressed):
        return
    channels = records[:, 15] & 0x30
    if not len(channels) or int(channels.min()) == int(channels.max()):
        return
    what = f"wave packets of several scanner channels (point format {flight.point_format})"
    if flight.compressed:
        raise BadInputError(flight.path, f"{what} can't be decompressed without loss; give it as .las")
    raise OutputError(f"{target}: {what} can't be compressed without loss; put format: las under output:")
