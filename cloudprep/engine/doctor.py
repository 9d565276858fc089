"""What this machine has, and what may go wrong on it: told by ``cloudprep doctor``."""

from __future__ import annotations

import importlib
import os
import shutil
import tempfile
from dataclasses import asdict, dataclass
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import TYPE_CHECKING, Any

from cloudprep.engine.record import versions

if TYPE_CHECKING:
    from collections.abc import Iterator

__all__ = ["CacheState", "Finding", "cache_state", "examine"]

# A kernel whose cache tells where all of them are kept.
_ANY_KERNEL = ("cloudprep.kernels.bilinear", "_bilinear")
_LEAST_MEMORY = 4e9
_LEAST_ROOM = 2e9
# Seconds. An install writes sources and the kernels that come with them in any order.
_INSTALLING = 60.0


@dataclass(frozen=True)
class Finding:
    """One line of the examination.

    Parameters
    ----------
    name, value : str
        What was looked at, and what was found.
    problem : str
        What may go wrong because of it, and the way out; empty where all is well.
    """

    name: str
    value: str
    problem: str = ""

    def as_dict(self) -> dict[str, Any]:
        """Return plain values, for machines."""
        return asdict(self)


@dataclass(frozen=True)
class CacheState:
    """Where compiled kernels are kept, and how many.

    Parameters
    ----------
    folder : Path
        Of the kernels' cache.
    writable : bool
        Whether what is compiled can be kept.
    kept, stale : int
        Kernels that needn't be compiled any more; and those whose source has changed since.
    bytes : int
        Size of all files.
    """

    folder: Path
    writable: bool
    kept: int
    stale: int
    bytes: int


def cache_state(folder: Path, sources: Path) -> CacheState:
    """Look at a folder of compiled kernels.

    Parameters
    ----------
    folder : Path
        Of the cache; it need not be there yet.
    sources : Path
        Folder of the kernels' sources.
    """
    kept = stale = size = 0
    for file in sorted(folder.glob("*.nb[ic]")):
        size += file.stat().st_size
        # Numba names an index after the module, the function and its line.
        source = sources / f"{file.name.split('.')[0]}.py"
        if file.suffix != ".nbi" or not source.exists():
            continue
        if source.stat().st_mtime > file.stat().st_mtime + _INSTALLING:
            stale += 1
        else:
            kept += 1
    return CacheState(folder, _writable(folder), kept, stale, size)


def examine() -> list[Finding]:
    """Return what this machine has, versions first."""
    return [
        *_versions(),
        _processors(),
        _memory(),
        _scratch(),
        _kernels(),
        _reference_systems(),
        _laz(),
        _cluster(),
        _turns(),
    ]


def _versions() -> Iterator[Finding]:
    for name, found in versions().items():
        missing = "it is not installed: pip install cloudprep" if found == "missing" else ""
        yield Finding(name, found, missing)


def _processors() -> Finding:
    count = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    return Finding("processors", str(count))


def _memory() -> Finding:
    try:
        lines = Path("/proc/meminfo").read_text(encoding="ascii").splitlines()
    except OSError:
        return Finding("memory", "unknown on this system")
    kilobytes = {line.split(":")[0]: float(line.split()[1]) for line in lines if line.endswith("kB")}
    free, total = (1024 * kilobytes.get(name, 0.0) for name in ("MemAvailable", "MemTotal"))
    problem = "" if free >= _LEAST_MEMORY else "enough for about ten million points; close other programs"
    return Finding("memory", f"{free / 1e9:.1f} GB free of {total / 1e9:.1f} GB", problem)


def _scratch() -> Finding:
    folder = Path(tempfile.gettempdir())
    free = shutil.disk_usage(folder).free
    problem = "" if free >= _LEAST_ROOM else "little room for temporary files: set TMPDIR to another disk"
    return Finding("temporary files", f"{folder}, {free / 1e9:.1f} GB free", problem)


def _kernels() -> Finding:
    from cloudprep.kernels import compiling  # noqa: PLC0415 - slow to import, and what is tested here

    if not compiling.COMPILED:
        return Finding("compiled kernels", "off", f"{compiling.what_it_means()}: {compiling.WAY_OUT}")
    module = importlib.import_module(_ANY_KERNEL[0])
    state = cache_state(
        Path(getattr(module, _ANY_KERNEL[1]).stats.cache_path), Path(str(module.__file__)).parent
    )
    value = f"{state.kept} kept in {state.folder} ({state.bytes / 1e6:.0f} MB)"
    if state.stale:
        value += f", {state.stale} of an older version"
    problem = ""
    if not state.writable:
        problem = "they can't be kept, so every run compiles anew: set NUMBA_CACHE_DIR to a folder of yours"
    elif not state.kept:
        value += "; the first run compiles them, which takes a minute or two: cloudprep doctor --compile"
    return Finding("compiled kernels", value, problem)


def _reference_systems() -> Finding:
    from pyproj import CRS  # noqa: PLC0415 - slow to import, and what is tested here
    from pyproj.exceptions import CRSError  # noqa: PLC0415

    try:
        name = CRS.from_epsg(25832).name
    except CRSError as error:
        return Finding("reference systems", "not found", f"pyproj can't find its data: {error}")
    return Finding("reference systems", f"found ({name})")


def _laz() -> Finding:
    from laspy import LazBackend  # noqa: PLC0415 - what is tested here

    if LazBackend.LazrsParallel.is_available():
        return Finding("LAZ", "read and written")
    return Finding("LAZ", "not available", "compressed clouds can't be read: pip install lazrs")


def _cluster() -> Finding:
    try:
        return Finding("dask", f"{version('distributed')}, for --engine dask")
    except PackageNotFoundError:  # no problem: few need it
        return Finding("dask", "not installed; for --engine dask: pip install 'cloudprep[cluster]'")


def _turns() -> Finding:
    try:
        return Finding("open3d", f"{version('open3d')}, for align --allow rigid")
    except PackageNotFoundError:  # no problem: few need it
        return Finding("open3d", "not installed; for align --allow rigid: pip install 'cloudprep[align]'")


def _writable(folder: Path) -> bool:
    there = next(p for p in (folder, *folder.parents) if p.exists())
    try:
        with tempfile.TemporaryFile(dir=there):
            return True
    except OSError:
        return False
