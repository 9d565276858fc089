"""What a page allows itself: only the scripts and styles it was made with, and nothing from a network."""

from __future__ import annotations

import base64
import hashlib
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable


def content_policy(scripts: Iterable[str], styles: Iterable[str]) -> str:
    """Return the content of a page's ``Content-Security-Policy`` (W3C, level 3).

    Whatever else gets into the page, by a file's name or a class's, doesn't run.

    Parameters
    ----------
    scripts, styles : iterable of str
        Exactly what stands between the tags of each element.

    Examples
    --------
    >>> content_policy([], ["p { margin: 0 }"])
    "default-src 'none'; img-src data:; style-src 'sha256-7IWhgxoOGTB5NQzjGk9OPt0FwhVeBvZGoWgF9xLLh8c='; \
script-src 'none'; base-uri 'none'; form-action 'none'"
    """
    return "; ".join(
        (
            "default-src 'none'",
            "img-src data:",
            f"style-src {_hashes(styles)}",
            f"script-src {_hashes(scripts)}",
            "base-uri 'none'",
            "form-action 'none'",
        )
    )


def _hashes(texts: Iterable[str]) -> str:
    found = (
        f"'sha256-{base64.b64encode(hashlib.sha256(text.encode('utf-8')).digest()).decode('ascii')}'"
        for text in texts
    )
    return " ".join(dict.fromkeys(found)) or "'none'"
