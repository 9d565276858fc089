"""The folder of a run: refused when finished, cleared of an earlier run, never mixed up with inputs."""

from __future__ import annotations

import contextlib
import os
from pathlib import Path
from typing import TYPE_CHECKING

from cloudprep.engine.journal import JOURNAL_NAME, Journal
from cloudprep.engine.lock import LOCK_NAME, PATIENCE_WITH_THE_DYING, FolderLock
from cloudprep.engine.record import ITEM_NAME, RECORD_NAME, read_record
from cloudprep.engine.scratch import remove_abandoned
from cloudprep.errors import OutputError, UsageError
from cloudprep.io.atomic import (
    announced,
    folder_refused,
    is_part,
    make_folder,
    plain_reason,
    remove_leftovers,
)

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

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
        self._journal = Journal(root)

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
            If nobody may create the folder or write to it, or a part of it is a link to elsewhere.
        OutputError
            If the disk is full, or reports an error.
        """
        self._refuse_elsewhere()
        kept = {os.path.realpath(p) for p in keep}
        earlier = [name for name in self._earlier() if os.path.realpath(self.root / name) not in kept]
        try:
            for folder in (self.root, self.clouds, self.terrain):
                make_folder(folder)
            # Known before the record goes, so that whoever is killed here leaves nothing that nobody knows.
            self._journal.begin(earlier)
            (self.root / RECORD_NAME).unlink(missing_ok=True)
            for folder in (self.root, self.clouds, self.terrain):
                remove_leftovers(folder)
            remove_abandoned(self.root)
        except OutputError as error:
            raise folder_refused(str(error), error.__cause__) from error
        except OSError as error:
            text = f"{self.root}: can't be made ready: {plain_reason(error)}"
            raise folder_refused(text, error) from error
        self._remove_outputs(earlier)

    def _refuse_elsewhere(self) -> None:
        """Refuse rooms that are links to another place: results belong below the folder that was named."""
        root = self.root.resolve()
        for folder in (self.clouds, self.terrain):
            if folder.resolve().parent != root:
                raise UsageError(
                    f"{folder}: is a link to {folder.resolve()}: nothing is written outside {self.root}"
                )

    @contextlib.contextmanager
    def noting(self) -> Iterator[None]:
        """Note what is delivered, once the folder is prepared, until the run is finished or fails."""
        with announced(self.root, self._journal.note):
            try:
                yield
            finally:
                self._journal.leave()

    def finished(self) -> None:
        """Tell that the record is written: what lies here is known by it; rooms without anything go."""
        self._journal.end()
        for room in (self.clouds, self.terrain):
            with contextlib.suppress(OSError):  # Not empty, most often.
                room.rmdir()

    def tidy(self) -> None:
        """Remove what a run left that was killed just behind its record; a folder in use is let be."""
        if not self._left_behind():
            return
        with (
            contextlib.suppress(UsageError, OutputError, OSError),
            FolderLock(self.root, patience=PATIENCE_WITH_THE_DYING),
        ):
            self._journal.end()
            for folder in (self.root, self.clouds, self.terrain):
                remove_leftovers(folder)
            remove_abandoned(self.root)

    def _left_behind(self) -> bool:
        try:
            with os.scandir(self.root) as entries:
                return any(e.name in (JOURNAL_NAME, LOCK_NAME) or is_part(e.name) for e in entries)
        except OSError:
            return False

    def _earlier(self) -> list[str]:
        """Return the names of files of earlier runs: by their record, or noted by one that was killed."""
        record = read_record(self.root) or {}
        outputs = record.get("outputs")
        named = [o.get("path") for o in outputs if isinstance(o, dict)] if isinstance(outputs, list) else []
        names = [*(n for n in named if isinstance(n, str)), *self._journal.earlier()]
        return sorted({name for name in names if _is_ours(name)})

    def _remove_outputs(self, names: Sequence[str]) -> None:
        """Remove files of earlier runs; what can't be removed stays known."""
        gone = []
        for name in names:
            with contextlib.suppress(OSError):
                (self.root / name).unlink(missing_ok=True)
                gone.append(name)
        self._journal.forget(gone)


def _is_ours(name: str) -> bool:
    """Tell whether a run may have made a file of that name: only below its folder, only in its own rooms."""
    relative = Path(name)
    if ".." in relative.parts:
        return False
    inside = len(relative.parts) == 2 and relative.parts[0] in (CLOUDS, TERRAIN)
    return inside or relative.as_posix() in AT_THE_TOP
