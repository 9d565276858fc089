"""A file's size and checksum, for the run record."""

from __future__ import annotations

import hashlib
from pathlib import Path

from cloudprep.io.las.opening import open_source


def fingerprint(path: Path) -> dict[str, int | str]:
    """Return a file's ``size`` (bytes) and ``sha256`` (hexadecimal text).

    Raises
    ------
    BadInputError
        If it can't be read.
    """
    with open_source(Path(path)) as file:
        digest = hashlib.file_digest(file, "sha256")
        return {"size": file.tell(), "sha256": digest.hexdigest()}
