"""Compiles the kernels while a wheel is built, so that the first run after an install needn't wait for that.

Like any extension in C, what comes out is for one kind of processor, one Python and one numba. Where one of
them is another, numba knows by its own keys, and compiles the kernels when they are called, as it does where
this step failed or was switched off (``CLOUDPREP_COMPILED=0``).
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Any

from hatchling.builders.hooks.plugin.interface import BuildHookInterface

_COMPILE = (
    "import sys; sys.path.insert(0, sys.argv[1]); import cloudprep; sys.path.pop(0); "
    "from cloudprep.engine.ahead import compile_all; from cloudprep.engine.progress import Silent; "
    "compile_all(Silent())"
)
# Would send what is compiled elsewhere.
_ELSEWHERE = ("NUMBA_CACHE_DIR", "NUMBA_CACHE_LOCATOR_CLASSES")


class CompiledKernels(BuildHookInterface):  # type: ignore[type-arg]
    """Puts compiled kernels where numba looks for them: into ``__pycache__`` beside their sources."""

    def initialize(self, version: str, build_data: dict[str, Any]) -> None:
        """Compile all that is listed, in a copy of the package."""
        if version == "editable" or os.environ.get("CLOUDPREP_COMPILED") == "0":
            return
        self._folder = tempfile.TemporaryDirectory(prefix="cloudprep-kernels-")
        package = Path(self._folder.name) / "cloudprep"
        shutil.copytree(Path(self.root) / "cloudprep", package, ignore=shutil.ignore_patterns("__pycache__"))
        kept = package / "kernels" / "__pycache__"
        done = subprocess.run(  # noqa: S603 - ours
            [sys.executable, "-P", "-c", _COMPILE, str(package.parent)],
            env={name: value for name, value in os.environ.items() if name not in _ELSEWHERE},
            cwd=self._folder.name,
            capture_output=True,
            text=True,
            check=False,
        )
        files = [
            file for file in kept.glob("*") if file.suffix in {".nbi", ".nbc"} or file.name == "ahead.json"
        ]
        if done.returncode or not files:
            self.app.display_warning(f"kernels will be compiled when they are called: {done.stderr[-500:]}")
            return
        for file in files:
            build_data["force_include"][str(file)] = f"cloudprep/kernels/__pycache__/{file.name}"
        build_data["pure_python"] = False
        build_data["infer_tag"] = True

    def finalize(self, *_: Any) -> None:
        """Remove the copy."""
        if hasattr(self, "_folder"):
            self._folder.cleanup()
