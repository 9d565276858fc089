"""How often a process looks for objects that only refer to each other."""

from __future__ import annotations

import atexit
import gc

__all__ = ["look_seldom"]

_OBJECTS_BETWEEN_LOOKS = (100_000, 50, 50)


def look_seldom() -> None:
    """Have this process look for garbage seldom, and not once more when it ends.

    Libraries and the compiler make objects by the hundred thousand and keep them, hardly in a cycle: looking
    through them as often as Python does by itself takes a twentieth of a run, a last time 0.4 s.
    """
    gc.set_threshold(*_OBJECTS_BETWEEN_LOOKS)
    atexit.register(gc.freeze)
