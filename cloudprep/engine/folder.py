"""The folder of a run: refused when finished, cleared of an earlier run, never mixed up with inputs."""

from __future__ import annotations

import contextlib
import os
from pathlib import Path
from typing import TYPE_CHECKING

from cloudprep.engine.record import RECORD_NAME, read_record
from cloudprep.engine.scratch import remove_abandoned
from cloudprep.engine.stac import ITEM_NAME
from cloudprep.errors import OutputError, UsageError
from cloudprep.io.atomic import make_folder, plain_reason, remove_leftovers

if TYPE_CHECKING:
    from collections.abc import Sequence

CLOUDS = "clouds"
TERRAIN = "terrain"
# What a run may leave in its folder itself, beside its record.
AT_THE_TOP = frozenset({ITEM_NAME, "report.html", "gates.xml", "gates.json", "gates.md"})


class RunFolder:
    """Where a run delivers.

    Parameters
    ----------
    root : Path
        The folder given by ``--out``.
    """

    def __init__(self, root: Path) -> None:
        self.root = root
        self.clouds = root / CLOUDS
        self.terrain = root / TERRAIN

    def refuse_finished(self, *, overwrite: bool) -> None:
        """Refuse a folder that holds a finished run, unless it may be replaced.

        Raises
        ------
        UsageError
            If the folder is finished, or is no folder.
        """
        if self.root.exists() and not self.root.is_dir():
            raise UsageError(f"{self.root}: is a file; --out wants a folder")
        record = read_record(self.root)
        if record is not None and record.get("status") != "all_inputs_failed" and not overwrite:
            raise UsageError(
                f"{self.root}: holds a finished run of {record.get('finished', 'an unknown time')}; "
                "choose another folder or give --overwrite"
            )

    def refuse_inputs(self, targets: Sequence[Path], inputs: Sequence[Path]) -> None:
        """Refuse a run that would write over one of its inputs.

        Raises
        ------
        UsageError
            With the input's name.
        """
        sources = {os.path.realpath(p) for p in inputs}
        for target in targets:
            if os.path.realpath(target) in sources:
                raise UsageError(
                    f"{target}: is an input of this run; inputs are never changed: choose another --out"
                )

    def prepare(self, keep: Sequence[Path]) -> None:
        """Create the folders; make the run unfinished; remove what an earlier run delivered here.

        Parameters
        ----------
        keep : sequence of Path
            Inputs of the new run: never removed, even if an earlier run made them.

        Raises
        ------
        UsageError
            If the folder can't be created or written to, or a part of it is a link to elsewhere.
        """
        self._refuse_elsewhere()
        try:
            for folder in (self.root, self.clouds, self.terrain):
                make_folder(folder)
        except OutputError as error:
            raise UsageError(str(error)) from error
        record = read_record(self.root)
        try:
            (self.root / RECORD_NAME).unlink(missing_ok=True)
            for folder in (self.root, self.clouds, self.terrain):
                remove_leftovers(folder)
            remove_abandoned(self.root)
        except OSError as error:
            raise UsageError(f"{self.root}: can't be made ready: {plain_reason(error)}") from error
        if record is not None:
            self._remove_outputs(record.get("outputs", []), keep)

    def _refuse_elsewhere(self) -> None:
        """Refuse rooms that are links to another place: results belong below the folder that was named."""
        root = self.root.resolve()
        for folder in (self.clouds, self.terrain):
            if folder.resolve().parent != root:
                raise UsageError(
                    f"{folder}: is a link to {folder.resolve()}: nothing is written outside {self.root}"
                )

    def _remove_outputs(self, outputs: object, keep: Sequence[Path]) -> None:
        """Remove the files that an earlier record names: only below this folder, only in its own rooms."""
        kept = {os.path.realpath(p) for p in keep}
        for output in outputs if isinstance(outputs, list) else []:
            relative = Path(str(output.get("path", ""))) if isinstance(output, dict) else Path()
            inside = len(relative.parts) == 2 and relative.parts[0] in (CLOUDS, TERRAIN)
            if not inside and relative.as_posix() not in AT_THE_TOP:
                continue
            path = self.root / relative
            if os.path.realpath(path) not in kept:
                with contextlib.suppress(OSError):
                    path.unlink(missing_ok=True)
