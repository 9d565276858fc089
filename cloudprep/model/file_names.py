"""Names that products bring along for their files: they name a file in the run's folder, and nothing else."""

from __future__ import annotations

import re

_SAFE = re.compile(r"\w[\w .+-]{0,99}")


def check_file_name(name: str) -> None:
    """Check the file name, without ending, that a stage gives one of its products.

    Raises
    ------
    ValueError
        If it could lead out of the folder, hide the file, or is no name at all.

    Examples
    --------
    >>> check_file_name("dtm_standard_error")
    >>> check_file_name("../dtm")
    Traceback (most recent call last):
    ...
    ValueError: '../dtm' can't name a product: letters, digits, spaces and _ . + - only, no folders
    """
    if not _SAFE.fullmatch(name):
        raise ValueError(
            f"{name!r} can't name a product: letters, digits, spaces and _ . + - only, no folders"
        )
