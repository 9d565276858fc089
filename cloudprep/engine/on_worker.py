"""What a worker of a cluster does: it loads work from the folder that all share, and does it on blocks.

Work is handed over as a file and not as data of one worker: whoever takes over from a worker that was lost
finds all that is needed. Doing a block once more writes the same bytes to the same places.
"""

from __future__ import annotations

import os
import pickle
import signal
import socket
import sys
import threading
from pathlib import Path
from typing import TYPE_CHECKING, Any

from cloudprep.errors import UsageError

if TYPE_CHECKING:
    from collections.abc import Callable

    from cloudprep.engine.passes import BlockResult, BlockWork
    from cloudprep.engine.store import Block

# What results depend on: workers must have the same versions as whoever asks them.
COMPARED = ("cloudprep", "numpy", "scipy", "numba")
# Runs whose work a process holds at a time: one piece of work each, the last.
_RUNS = 2

_held: dict[Path, tuple[Path, BlockWork]] = {}
_lock = threading.Lock()


def dask_setup(worker: Any) -> None:
    """Leave Ctrl-C to whoever started this worker (called in workers that a run starts for itself)."""
    del worker
    if threading.current_thread() is threading.main_thread():
        signal.signal(signal.SIGINT, signal.SIG_IGN)


def looker() -> Callable[[str], dict[str, Any]]:
    """Return a function that tells what a worker has and sees.

    It is made here so that it travels as code: a worker without cloudprep can run it, too.
    """
    names = COMPARED

    def look(folder: str) -> dict[str, Any]:
        import socket  # noqa: PLC0415 - on the worker
        from importlib import metadata  # noqa: PLC0415
        from pathlib import Path  # noqa: PLC0415

        found = {}
        for name in names:
            try:
                found[name] = metadata.version(name)
            except metadata.PackageNotFoundError:
                found[name] = "missing"
        return {"host": socket.gethostname(), "versions": found, "sees": not folder or Path(folder).is_dir()}

    return look


def refusal(wanted: dict[str, str], folder: str, found: dict[str, Any]) -> str:
    """Return in one line why a worker is of no use; empty where it is fine."""
    host = found["host"]
    for name, version in wanted.items():
        there = found["versions"][name]
        if there == "missing" != version:
            return f"the worker on {host} has no {name}: install there what is installed here"
        if there != version:
            return f"the worker on {host} has {name} {there}, but here it is {version}: both must be the same"
    if not found["sees"]:
        return f"{folder}: the worker on {host} can't see it: give --scratch a folder that all workers share"
    return ""


def do(path: str, wanted: dict[str, str], block: Block) -> BlockResult:
    """Do work on a block.

    Parameters
    ----------
    path : str
        File of the work.
    wanted : dict of str to str
        Versions that must be there.
    block : Block
        The block.

    Raises
    ------
    UsageError
        If this worker is of no use.
    """
    return _work(Path(path), wanted)(block)


def forget(folder: str) -> None:
    """Let go of a run's work; its files close as soon as no block uses them any more."""
    with _lock:
        _held.pop(Path(folder), None)


def peak() -> tuple[str, int, int]:
    """Return machine, process and the largest memory it had, bytes."""
    from cloudprep.engine.closing import peak_memory  # noqa: PLC0415 - imports much

    return socket.gethostname(), os.getpid(), peak_memory()


def _work(path: Path, wanted: dict[str, str]) -> BlockWork:
    folder = path.parent
    with _lock:
        if folder not in _held or _held[folder][0] != path:
            _held.pop(folder, None)  # let go of the one before first
            while len(_held) >= _RUNS:
                del _held[next(iter(_held))]
            _held[folder] = path, _loaded(path, wanted)
        return _held[folder][1]


def _loaded(path: Path, wanted: dict[str, str]) -> BlockWork:
    found = looker()(str(path.parent))
    why = refusal(wanted, str(path.parent), found)
    if why:  # a worker that joined after the others were looked at
        raise UsageError(why)
    if "numba" not in sys.modules:  # it reads this once
        os.environ.setdefault("NUMBA_NUM_THREADS", "1")
    try:
        with path.open("rb") as file:
            work: BlockWork = pickle.load(file)  # noqa: S301 - written by the run that asks
    except (ImportError, AttributeError) as error:
        raise UsageError(f"the worker on {found['host']} lacks a stage of the pipeline: {error}") from error
    return work
