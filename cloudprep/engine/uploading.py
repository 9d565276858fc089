"""A run's folder elsewhere: made on this machine, uploaded file by file when finished, the record last."""

from __future__ import annotations

import contextlib
import json
import secrets
from pathlib import Path, PurePosixPath
from typing import TYPE_CHECKING, Any

from cloudprep.engine.folder import AT_THE_TOP, CLOUDS, TERRAIN
from cloudprep.engine.record import RECORD_NAME
from cloudprep.engine.urls import file_system, joined, reason_of, shown
from cloudprep.errors import OutputError, UsageError

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator, Sequence

    from cloudprep.engine.fetching import Fetched
    from cloudprep.engine.progress import ProgressSink

_PART = ".part-"


class RemoteFolder:
    """Where a run delivers, on a file system elsewhere.

    Parameters
    ----------
    url : str
        The folder given by ``--out``.

    Raises
    ------
    UsageError
        If the file system can't be reached, or its library is not installed.
    """

    def __init__(self, url: str) -> None:
        self.shown = shown(url)
        self._system, self._root = file_system(url)

    def refuse_finished(self, *, overwrite: bool) -> None:
        """Refuse a folder that holds a finished run, unless it may be replaced.

        Raises
        ------
        UsageError
            If the folder is finished, or can't be looked at.
        """
        record = self._record()
        if record is not None and record.get("status") != "all_inputs_failed" and not overwrite:
            raise UsageError(
                f"{self.shown}: holds a finished run of {record.get('finished', 'an unknown time')}; "
                "choose another folder or give --overwrite"
            )

    def refuse_inputs(self, targets: Sequence[Path], root: Path, inputs: Sequence[Fetched]) -> None:
        """Refuse a run that would write over one of its inputs.

        Raises
        ------
        UsageError
            With the input's name.
        """
        sources = _paths(inputs)
        for target in targets:
            relative = target.relative_to(root).as_posix()
            if joined(self._root, relative) in sources:
                raise UsageError(
                    f"{self.shown}/{relative}: is an input of this run; inputs are never changed: "
                    "choose another --out"
                )

    def upload(self, root: Path, keep: Sequence[Fetched], progress: ProgressSink) -> None:
        """Upload a finished run, its record last; what an earlier run delivered here is removed first.

        Each file gets a temporary name first, where the file system can rename. If anything fails, what was
        uploaded is removed again, and there is no record.

        Parameters
        ----------
        root : Path
            The folder of the run on this machine.
        keep : sequence of Fetched
            Inputs of the run: never removed, even if an earlier run made them.
        progress : ProgressSink
            Told what happens.

        Raises
        ------
        OutputError
            If a file can't be uploaded.
        """
        files = [p for room in (CLOUDS, TERRAIN) for p in sorted((root / room).glob("*")) if p.is_file()]
        files += [root / name for name in (*sorted(AT_THE_TOP), RECORD_NAME) if (root / name).is_file()]
        progress.start("uploading", sum(p.stat().st_size for p in files))
        there: list[str] = []
        try:
            with self._told(RECORD_NAME):
                self._clear(_paths(keep))
            for path in files:
                relative = path.relative_to(root).as_posix()
                with self._told(relative):
                    there.append(joined(self._root, relative))
                    self._put(path, there[-1], there)
                progress.advance(path.stat().st_size)
        except BaseException:
            for path_there in reversed(there):
                self._remove(path_there)
            raise
        finally:
            progress.finish()

    def _put(self, path: Path, target: str, there: list[str]) -> None:
        folder, _, name = target.rpartition("/")
        with contextlib.suppress(NotImplementedError, FileExistsError):
            self._system.makedirs(folder, exist_ok=True)
        part = f"{folder}/{_PART}{secrets.token_hex(6)}-{name}"
        there.append(part)
        self._system.put_file(str(path), part)
        try:
            self._system.mv(part, target)
        except NotImplementedError:
            self._system.put_file(str(path), target)
            self._remove(part)
        there.remove(part)
        size = self._system.info(target).get("size")
        if size is not None and int(size) != path.stat().st_size:
            raise OutputError(f"{int(size):,} of {path.stat().st_size:,} bytes arrived")

    def _clear(self, keep: Collection[str]) -> None:
        """Make the folder unfinished; remove what an earlier record names, in its own rooms."""
        record = self._record()
        if record is None:
            return
        self._system.rm_file(joined(self._root, RECORD_NAME))
        outputs = record.get("outputs")
        for output in outputs if isinstance(outputs, list) else []:
            relative = (
                PurePosixPath(str(output.get("path", ""))) if isinstance(output, dict) else PurePosixPath()
            )
            parts = relative.parts
            path = joined(self._root, *parts)
            inside = len(parts) == 2 and parts[0] in (CLOUDS, TERRAIN) and ".." not in parts
            if (inside or relative.as_posix() in AT_THE_TOP) and path not in keep:
                self._remove(path)

    def _record(self) -> dict[str, Any] | None:
        path = joined(self._root, RECORD_NAME)
        try:
            if not self._system.exists(path):
                return None
            found = json.loads(self._system.cat_file(path))
        except ValueError:
            return None
        except Exception as error:  # noqa: BLE001 - each file system has errors of its own
            raise UsageError(f"{self.shown}: can't be looked at: {reason_of(error)}") from None
        return found if isinstance(found, dict) and "status" in found else None

    def _remove(self, path: str) -> None:
        with contextlib.suppress(Exception):  # what was not there, or can't be reached any more
            self._system.rm_file(path)

    @contextlib.contextmanager
    def _told(self, relative: str) -> Iterator[None]:
        """Turn whatever a file system raises into one line."""
        try:
            yield
        except OutputError as error:
            raise OutputError(f"{self.shown}/{relative}: can't be uploaded: {error}") from None
        except UsageError:
            raise
        except Exception as error:  # noqa: BLE001 - each file system has errors of its own
            reason = (
                "nothing can be written there" if isinstance(error, NotImplementedError) else reason_of(error)
            )
            raise OutputError(f"{self.shown}/{relative}: can't be uploaded: {reason}") from None


def _paths(inputs: Sequence[Fetched]) -> set[str]:
    """Return where inputs lie; a path alone counts, so that the same file by another kind of URL is safe."""
    return {one.place[1] for one in inputs}
