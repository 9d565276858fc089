"""Code of others that the report carries along; ``vendored/README.md`` says what and from where."""

from __future__ import annotations

import hashlib
from importlib.resources import files

SHA256 = {"twgl.js": "bc94a897aa369db1af4b32b33d069ad92aa1032688dfec4ace0656eca404b032"}
_LICENCES = {"twgl.js": "twgl.LICENSE.md"}


def vendored_script(name: str) -> str:
    """Return a script of others for use within a page, headed by its licence.

    Parameters
    ----------
    name : str
        Its file in ``vendored/``.

    Raises
    ------
    ValueError
        If the file isn't, byte for byte, what its authors published.
    """
    folder = files("cloudprep.reporting") / "vendored"
    code = (folder / name).read_bytes()
    if hashlib.sha256(code).hexdigest() != SHA256[name]:
        raise ValueError(f"{name}: isn't the file that its authors published; install cloudprep anew")
    licence = (folder / _LICENCES[name]).read_text("utf-8").strip()
    return f"/* {name}\n\n{licence.replace('*/', '* /')}\n*/\n" + code.decode("utf-8")
