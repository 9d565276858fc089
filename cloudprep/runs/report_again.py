"""The report of a finished run made again, from what it delivered."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

from cloudprep.engine.closing import output_record
from cloudprep.engine.record import RECORD_NAME, read_record
from cloudprep.engine.reporting import REPORT_NAME
from cloudprep.errors import UsageError
from cloudprep.io.atomic import sha256_of, whole_file

if TYPE_CHECKING:
    from pathlib import Path

__all__ = ["report_again"]


def report_again(folder: Path, target: Path | None = None) -> Path:
    """Make the report of a finished run from its record and the files that it delivered.

    Where the run left noise out of its clouds, the page can't show it.

    Parameters
    ----------
    folder : Path
        Of the run.
    target : Path, optional
        Where to; by default ``report.html`` in the folder, and the record then names it.

    Returns
    -------
    Path
        The page.

    Raises
    ------
    UsageError
        If the folder holds no finished run, or one without results.
    BadInputError
        If a delivered cloud or raster is gone or can't be read.
    OutputError
        If the page can't be written.
    """
    from cloudprep.reporting.delivered import DeliveredClouds, recorded_place  # noqa: PLC0415 - heavy
    from cloudprep.reporting.gathered import gather  # noqa: PLC0415 - heavy
    from cloudprep.reporting.page import page, study  # noqa: PLC0415 - heavy

    record = read_record(folder)
    if record is None:
        raise UsageError(f"{folder}: holds no finished run: there is no {RECORD_NAME} that can be read")
    try:
        place = recorded_place(record)
        points = DeliveredClouds(folder, record, place)
        seen = study(points, gather(points, place), record, folder)
        html = page(seen, record, folder.resolve().name)
    except (KeyError, TypeError, AttributeError) as error:
        raise UsageError(
            f"{folder / RECORD_NAME}: isn't the record of a run: {error!r} is missing"
        ) from error
    path = target or folder / REPORT_NAME
    with whole_file(path) as part:
        part.write_text(html, encoding="utf-8")
    if target is None:
        made = output_record(folder, path, "report", sha256_of(path)).model_dump(mode="json")
        record["outputs"] = [o for o in record["outputs"] if o.get("path") != REPORT_NAME] + [made]
        with whole_file(folder / RECORD_NAME) as part:
            part.write_text(json.dumps(record, indent=2) + "\n", encoding="utf-8")
    return path
