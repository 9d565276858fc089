"""Inputs from elsewhere: fetched once, whole, into a scratch folder; the room is looked at before."""

from __future__ import annotations

import shutil
import tempfile
from contextlib import ExitStack
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, Self

from cloudprep.config import load_pipeline
from cloudprep.engine.inputs import CLOUD_ENDINGS
from cloudprep.engine.scratch import ScratchFolder
from cloudprep.engine.urls import (
    file_parts,
    file_system,
    is_pattern,
    is_remote,
    local_path,
    reason_of,
    shown,
)
from cloudprep.errors import ConfigError, UsageError

if TYPE_CHECKING:
    from collections.abc import Sequence
    from types import TracebackType

    from cloudprep.config import Pipeline
    from cloudprep.engine.progress import ProgressSink

# Bytes fetched at a time, and room that must stay free where the size of a file isn't known.
_CHUNK = 4_000_000
_SPARE = 50_000_000


@dataclass
class Fetched:
    """One input from elsewhere.

    Parameters
    ----------
    url : str
        As it may be shown.
    place : tuple of (str, str)
        Its file system and its path there.
    path : Path
        The copy on this machine.
    failure : str
        Why there is no copy; empty where all went well.
    """

    url: str
    place: tuple[str, str]
    path: Path
    failure: str = ""


@dataclass(frozen=True)
class _Found:
    """One file before it is fetched."""

    system: Any
    path: str
    url: str
    parts: tuple[str, ...]
    size: int | None


@dataclass
class FetchedInputs:
    """Inputs of a command, those with URLs as copies on this machine; a context manager that removes them.

    Parameters
    ----------
    inputs : sequence of str
        As they were given: paths and URLs.
    parent : Path or None
        Where the copies may lie; by default the system's folder for temporary files.
    progress : ProgressSink
        Told what happens.

    Raises
    ------
    UsageError
        If a URL names nothing or can't be reached, with every such URL; or there is too little room.
    """

    inputs: Sequence[str]
    parent: Path | None
    progress: ProgressSink
    fetched: list[Fetched] = field(default_factory=list)

    def __post_init__(self) -> None:
        self._stack = ExitStack()

    def __enter__(self) -> Self:
        found: list[_Found] = []
        problems: list[str] = []
        for text in self.inputs:
            if is_remote(text):
                try:
                    found.extend(_files_of(text))
                except UsageError as error:
                    problems.append(str(error))
        if problems:
            raise UsageError("\n".join(problems))
        unique = {(_kind(one.system), one.path): one for one in reversed(found)}
        found = [one for one in found if unique[_kind(one.system), one.path] is one]
        if found:
            with ExitStack() as stack:
                needed = sum(one.size or 0 for one in found)
                folder = stack.enter_context(
                    ScratchFolder(self.parent or Path(tempfile.gettempdir()), needed)
                )
                self.progress.start("fetching", needed)
                self.fetched = [self._fetch(one, folder / str(i)) for i, one in enumerate(found)]
                self.progress.finish()
                self._stack = stack.pop_all()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._stack.close()

    @property
    def local(self) -> list[str]:
        """The inputs on this machine: those given as paths, and copies of the others."""
        paths = [text for text in self.inputs if not is_remote(text)]
        return paths + [str(one.path) for one in self.fetched if not one.failure]

    def shown(self, path: Path) -> str:
        """Return an input as it is told to people: the URL of a copy."""
        return next((one.url for one in self.fetched if one.path == path), str(path))

    def _fetch(self, one: _Found, folder: Path) -> Fetched:
        target = folder.joinpath(*one.parts)
        target.parent.mkdir(parents=True)
        made = Fetched(one.url, (_kind(one.system), one.path), target)
        try:
            self._copy(one, target)
        except UsageError:
            raise
        except Exception as error:  # noqa: BLE001 - each file system has errors of its own
            made.failure = f"can't be fetched: {reason_of(error)}"
        else:
            size = target.stat().st_size
            if one.size is not None and size != one.size:
                made.failure = f"can't be fetched: {size:,} of {one.size:,} bytes came"
        if made.failure:
            target.unlink(missing_ok=True)
        return made

    def _copy(self, one: _Found, target: Path) -> None:
        with one.system.open(one.path, "rb") as source, target.open("wb") as file:
            while chunk := source.read(_CHUNK):
                if shutil.disk_usage(target.parent).free < _SPARE + len(chunk):
                    raise UsageError(
                        f"{target.parent}: the disk is nearly full while inputs are fetched: "
                        "give --scratch a folder with more room"
                    )
                file.write(chunk)
                self.progress.advance(len(chunk))


def _kind(system: Any) -> str:
    """Return what tells file systems apart."""
    return str(getattr(system, "_fs_token", None) or type(system).__name__)


def _files_of(url: str) -> list[_Found]:
    """Return the files that a URL names: a file, all clouds below a folder, or those that match a pattern."""
    system, path = file_system(url)
    try:
        if is_pattern(url):
            found, nothing = system.glob(path), "nothing matches"
        elif not _web(system) and system.isdir(path):
            found, nothing = system.find(path), "no .las or .laz file in this folder"
        else:
            return [_found(system, path, url)]
        clouds = sorted(p for p in found if p.lower().endswith(CLOUD_ENDINGS))
        whole = [_found(system, p) for p in clouds if not p.rpartition("/")[2].startswith(".part-")]
    except Exception as error:  # noqa: BLE001 - each file system has errors of its own
        raise UsageError(f"{shown(url)}: {reason_of(error)}") from None
    if not whole:
        raise UsageError(f"{shown(url)}: {nothing}")
    return whole


def _found(system: Any, path: str, url: str | None = None) -> _Found:
    size = system.info(path).get("size")
    named = url or str(system.unstrip_protocol(path))
    return _Found(system, path, shown(named), file_parts(named), None if size is None else int(size))


def _web(system: Any) -> bool:
    protocol = system.protocol if isinstance(system.protocol, tuple) else (system.protocol,)
    return bool({"http", "https"} & set(protocol))


def fetched_pipeline(text: str) -> Pipeline:
    """Return the checked pipeline that a path, a bare name or a URL names.

    Raises
    ------
    ConfigError
        With every problem of the file.
    UsageError
        If a URL can't be reached or names nothing.
    """
    if not is_remote(text):
        return load_pipeline(local_path(text))
    system, there = file_system(text)
    try:
        content = system.cat_file(there)
    except Exception as error:  # noqa: BLE001 - each file system has errors of its own
        raise UsageError(f"{shown(text)}: {reason_of(error)}") from None
    with tempfile.TemporaryDirectory(prefix="cloudprep-") as folder:
        path = Path(folder) / file_parts(text)[-1]
        path.write_bytes(content)
        try:
            loaded = load_pipeline(path)
        except ConfigError as error:
            raise ConfigError([p.replace(str(path), shown(text)) for p in error.problems]) from None
    named = tuple(warning.replace(str(path), shown(text)) for warning in loaded.warnings)
    return loaded.model_copy(update={"source": shown(text), "warnings": named})
