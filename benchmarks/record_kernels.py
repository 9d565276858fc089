"""Record which kernels the main jobs compile, so that they can be compiled ahead.

python benchmarks/record_kernels.py

Writes cloudprep/engine/ahead_list.jsonl. Runs bare_earth with an empty cache of kernels on the demo site and
on a made-up airborne flight, terrain_products on what came of them, and capture_gate on the flights. To be
done when a test says that the list is out of date.
"""

from __future__ import annotations

import importlib
import os
import sys
import tempfile
from pathlib import Path
from typing import Any

CACHE = tempfile.TemporaryDirectory()
os.environ["NUMBA_CACHE_DIR"] = CACHE.name
sys.path.append(str(Path(__file__).parents[1]))  # for the demo site

from airborne import write_airborne  # noqa: E402 - numba reads the variable when it is loaded
from numba.core import dispatcher, event  # noqa: E402

from cloudprep.config import load_pipeline  # noqa: E402
from cloudprep.engine.ahead_list import KERNELS, LIST, Kernel, type_text  # noqa: E402
from cloudprep.engine.demo import run_demo  # noqa: E402
from cloudprep.engine.progress import Silent  # noqa: E402
from cloudprep.engine.run import RunRequest, run_site  # noqa: E402

POINTS = 100_000


class Recorder(event.Listener):
    """Listens to the compiler: what it compiles, in the order of being done, and what that calls."""

    def __init__(self) -> None:
        self.compiled: list[tuple[str, str, Any]] = []
        self._calls: dict[tuple[str, str, Any], set[tuple[str, str, Any]]] = {}
        self._under_way: list[tuple[str, str, Any] | None] = []

    def on_start(self, event: Any) -> None:  # noqa: D102 - numba's
        self._under_way.append(key_of(event.data["dispatcher"], event.data["args"]))

    def on_end(self, event: Any) -> None:  # noqa: ARG002, D102 - numba's
        key = self._under_way.pop()
        if key is not None:
            self.compiled.append(key)

    def called(self, function: Any, args: tuple[Any, ...]) -> None:
        """Note that what is being compiled calls a function."""
        by = next((key for key in reversed(self._under_way) if key is not None), None)
        for types in (args, [getattr(a, "literal_type", a) for a in args]):
            key = key_of(function, types)
            if by is not None and key is not None:
                self._calls.setdefault(by, set()).add(key)

    def kernels(self) -> list[Kernel]:
        """Return the list."""
        places = {key: at for at, key in enumerate(self.compiled)}
        return [
            Kernel(*key, tuple(sorted(places[k] for k in self._calls.get(key, ()) if k in places)))
            for key in self.compiled
        ]


def key_of(function: Any, args: Any) -> tuple[str, str, Any] | None:
    """Return a kernel's module, name and types, or None where it can't be compiled by itself."""
    module, name = function.py_func.__module__, function.py_func.__name__
    if not module.startswith(KERNELS) or getattr(importlib.import_module(module), name, None) is not function:
        return None
    try:
        return module.removeprefix(KERNELS), name, hashable([type_text(a) for a in args])
    except ValueError:
        return None


def hashable(types: Any) -> Any:
    return tuple(map(hashable, types)) if isinstance(types, list) else types


def main() -> None:
    recorder = Recorder()
    asked = dispatcher.Dispatcher.get_call_template

    def get_call_template(self: Any, args: Any, kws: Any) -> Any:
        found = asked(self, args, kws)
        recorder.called(self, found[2])
        return found

    dispatcher.Dispatcher.get_call_template = get_call_template
    with event.install_listener("numba:compile", recorder), tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        LIST.unlink(missing_ok=True)  # else they would be compiled ahead
        run_demo(folder / "demo", Silent())
        write_airborne(folder / "flight.laz", POINTS)
        request = RunRequest(
            load_pipeline("bare_earth"), (str(folder / "flight.laz"),), folder / "out", workers=1
        )
        run_site(request, Silent())
        for part, made in (("demo", folder / "demo" / "result"), ("flight", folder / "out")):
            clouds = tuple(str(path) for path in sorted((made / "clouds").iterdir()))
            request = RunRequest(
                load_pipeline("terrain_products"), clouds, folder / f"products_{part}", cell=0.5, workers=1
            )
            run_site(request, Silent())
        for part, flights in (("demo", folder / "demo" / "flights"), ("flight", folder / "flight.laz")):
            request = RunRequest(
                load_pipeline("capture_gate"), (str(flights),), folder / f"judged_{part}", workers=1
            )
            run_site(request, Silent())
    kernels = recorder.kernels()
    LIST.write_text("".join(kernel.line() + "\n" for kernel in kernels), encoding="ascii")
    print(f"{len(kernels)} kernels")


if __name__ == "__main__":
    main()
