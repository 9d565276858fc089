"""What an alignment leaves in a folder: its record, and the moved clouds where they are asked for."""

from __future__ import annotations

import json
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING, Any

from cloudprep import __version__
from cloudprep.engine.inputs import deliverable_names
from cloudprep.errors import OutputError
from cloudprep.io.atomic import make_folder, plain_reason, whole_file
from cloudprep.io.las import CoordinatePatch, WriteOptions, write_patched

if TYPE_CHECKING:
    from cloudprep.measuring.align import AlignReport, Moved

RECORD = "alignment.json"


def write_alignment(report: AlignReport, out: Path, *, apply: bool) -> tuple[list[Path], dict[str, Any]]:
    """Write the record of an alignment, and the moved clouds.

    Parameters
    ----------
    report : AlignReport
        What to do.
    out : Path
        The folder. All clouds appear in it or none; the record comes last.
    apply : bool
        Whether clouds are written; they keep their format, scales and offsets, and everything but coordinates
        and the bounding box, to the bit.

    Returns
    -------
    paths : list of Path
        The files.
    record : dict
        What stands in the record.

    Raises
    ------
    OutputError
        If something can't be written, moved coordinates don't fit the format, or an output is an input.
    BadInputError
        If a cloud can't be read to its end.
    """
    make_folder(out)
    record = {"cloudprep": __version__, **report.as_dict(), "applied": apply}
    paths: list[Path] = []
    if apply:
        targets = _targets(report, out)
        with tempfile.TemporaryDirectory(prefix=".part-", dir=out) as scratch:
            made = [
                _write(moved, Path(scratch) / target.name)
                for moved, target in zip(report.clouds, targets, strict=True)
            ]
            for cloud, written, target in zip(record["clouds"], made, targets, strict=True):
                cloud["written"] = {"file": target.name, **written}
            try:
                for target in targets:
                    (Path(scratch) / target.name).replace(target)
            except OSError as error:
                raise OutputError(f"{out}: can't be written: {plain_reason(error)}") from error
        paths += targets
    with whole_file(out / RECORD) as part:
        part.write_text(json.dumps(record, indent=2) + "\n", encoding="utf-8")
    return [*paths, out / RECORD], record


def _targets(report: AlignReport, out: Path) -> list[Path]:
    """Return the clouds to write; inputs are never among them."""
    sources = [m.cloud.path for m in report.clouds]
    names = deliverable_names(sources)
    targets = [
        out / f"{name}{'.laz' if m.cloud.flight.compressed else '.las'}"
        for name, m in zip(names, report.clouds, strict=True)
    ]
    given = {p.resolve() for p in (*sources, *report.request.reference)}
    for target in targets:
        if target.resolve() in given:
            raise OutputError(f"{target}: this is an input; inputs are never changed")
    return targets


def _write(moved: Moved, target: Path) -> dict[str, Any]:
    flight, units = moved.cloud.flight, moved.cloud.settled.units
    patch = CoordinatePatch(flight, moved.motion, units.horizontal, units.vertical)
    options = WriteOptions(format="laz" if flight.compressed else "las")
    done = write_patched(flight, target, {}, options, moving=patch)
    warnings = list(done.warnings)
    if flight.layout.waves is not None and any(moved.motion.turn):
        warnings.append("the directions of its waveforms are not turned with the points")
    return {
        "points": done.count,
        "moved": patch.moved,
        "sha256": done.sha256,
        "largest_rounding_mm": [1000 * r for r in patch.rounding],
        "warnings": warnings,
    }
