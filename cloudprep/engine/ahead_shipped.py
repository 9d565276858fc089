"""Kernels that were compiled when the package was built lie beside their sources: numba finds them there.

Unless it looks elsewhere: where that folder can't be written to (an installation of somebody else, in a
container), or ``NUMBA_CACHE_DIR`` names another one. Then they are copied to where it looks, once.
"""

from __future__ import annotations

import contextlib
import secrets
import shutil
from pathlib import Path

from cloudprep.io.atomic import PART_PREFIX

__all__ = ["SHIPPED", "copy_shipped"]

SHIPPED = Path(__file__).parents[1] / "kernels" / "__pycache__"


def copy_shipped(folder: Path) -> None:
    """Copy compiled kernels that came with the package.

    Parameters
    ----------
    folder : Path
        Where numba keeps compiled kernels of this package for this user.

    Raises
    ------
    OSError
        If one can't be copied; nothing half-copied stays.

    Notes
    -----
    What numba keeps says itself which source, processor and version it is for, so nothing here has to know.
    An index comes after the code that it names.
    """
    for ending in ("nbc", "nbi"):
        for file in SHIPPED.glob(f"*.{ending}"):
            part = folder / f"{PART_PREFIX}{secrets.token_hex(6)}"
            try:
                shutil.copyfile(file, part)
                part.replace(folder / file.name)
            finally:
                with contextlib.suppress(OSError):
                    part.unlink(missing_ok=True)
