"""Real clouds that others made, fetched once into a cache outside the tree."""

from __future__ import annotations

import hashlib
import os
import subprocess
import sys
import tarfile
import tempfile
from pathlib import Path

import pytest

# laspy's source distribution carries small real clouds among its own test data (BSD-2-Clause).
REQUIREMENT = "laspy==2.7.0"
ARCHIVE = "laspy-2.7.0.tar.gz"
SHA256 = "f56feb5445e75d6ff12ee814aab6a35339290e75264ff277c6bf553f3025a3f5"
DATA_FOLDER = "laspy-2.7.0/tests/data/"
PATIENCE_SECONDS = 180


def cache_folder() -> Path:
    """Return where fetched data is kept between runs."""
    chosen = os.environ.get("CLOUDPREP_CACHE")
    return Path(chosen) if chosen else Path.home() / ".cache" / "cloudprep"


def is_right(archive: Path) -> bool:
    return archive.is_file() and hashlib.sha256(archive.read_bytes()).hexdigest() == SHA256


def fetch(archive: Path) -> None:
    """Fetch the archive with pip, from whatever index pip is set up to use; skip where that fails."""
    try:
        archive.parent.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryDirectory(dir=archive.parent) as folder:
            fetch_into(Path(folder)).replace(archive)
    except OSError as error:
        pytest.skip(f"no room for the cache of real clouds: {error}")


def fetch_into(folder: Path) -> Path:
    command = [sys.executable, "-m", "pip", "download", "--no-deps", "--no-binary", "laspy", "--quiet"]
    command += ["--disable-pip-version-check", "--dest", str(folder), REQUIREMENT]
    try:
        done = subprocess.run(command, capture_output=True, text=True, timeout=PATIENCE_SECONDS, check=False)
    except subprocess.TimeoutExpired:
        pytest.skip(f"real clouds: {REQUIREMENT} didn't come within {PATIENCE_SECONDS} s")
    fetched = folder / ARCHIVE
    if done.returncode or not fetched.exists():
        last = (done.stderr.strip() or done.stdout.strip() or "no reason given").splitlines()[-1]
        pytest.skip(f"real clouds: {REQUIREMENT} can't be fetched: {last}")
    if not is_right(fetched):
        pytest.fail(f"the fetched {ARCHIVE} isn't the one these tests know (its checksum differs)")
    return fetched


@pytest.fixture(scope="session")
def real_clouds(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """Return real clouds by file name, in a fresh folder."""
    archive = cache_folder() / ARCHIVE
    if not is_right(archive):
        fetch(archive)
    folder = tmp_path_factory.mktemp("real_clouds")
    found: dict[str, Path] = {}
    with tarfile.open(archive) as packed:
        for member in packed.getmembers():
            if member.isfile() and member.name.startswith(DATA_FOLDER):
                content = packed.extractfile(member)
                assert content is not None
                path = folder / Path(member.name).name
                path.write_bytes(content.read())
                found[path.name] = path
    return dict(sorted(found.items()))
