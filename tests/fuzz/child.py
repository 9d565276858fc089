"""Reads damaged files one after the other, in a process of its own with bounded memory.

Prints one JSON line: how many were used, how many were refused, and what memory it took. Whatever is
neither (an exception that is no refusal, a warning, a file that takes too long) ends it with the number of
the file, which the seed makes again; if compiled code takes the process down, the file is still there.
"""

from __future__ import annotations

import importlib
import json
import resource
import signal
import sys
import traceback
from pathlib import Path

import numpy as np
from damage import damaged

from cloudprep.errors import CloudprepError

MEMORY = 3 << 30
SECONDS_A_FILE = 20


def peak() -> int:
    """Return the largest resident memory so far, bytes."""
    for line in Path("/proc/self/status").read_text(encoding="ascii").splitlines():
        if line.startswith("VmHWM:"):
            return int(line.split()[1]) * 1024
    raise RuntimeError("the system doesn't tell")


def too_long(*_: object) -> None:
    """End whatever takes too long."""
    raise TimeoutError(f"more than {SECONDS_A_FILE} s")


def main() -> int:
    """Damage and read; return the exit code."""
    folder, kind, seed, rounds = Path(sys.argv[1]), sys.argv[2], int(sys.argv[3]), int(sys.argv[4])
    reader = importlib.import_module("kinds").KINDS[kind]
    originals = [path.read_bytes() for path in sorted(folder.glob("original*"))]
    rng = np.random.default_rng(seed)
    path = folder / f"damaged{reader.ending}"
    # Once with good files: whatever is loaded and compiled on the way is not what damaged ones cost.
    for content in originals:
        path.write_bytes(content)
        reader.use(path)
    before = peak()
    resource.setrlimit(resource.RLIMIT_AS, (MEMORY, MEMORY))
    signal.signal(signal.SIGALRM, too_long)
    outcomes = {"used": 0, "refused": 0}
    for number in range(rounds):
        path.write_bytes(damaged(originals[int(rng.integers(len(originals)))], reader.words, rng))
        signal.alarm(SECONDS_A_FILE)
        try:
            reader.use(path)
            outcomes["used"] += 1
        except CloudprepError as error:
            lines = getattr(error, "problems", (str(error),))
            if not all(line and line.isprintable() for line in lines):
                print(json.dumps({"number": number, "error": f"not one line: {lines!r}"}))
                return 1
            outcomes["refused"] += 1
        except BaseException:  # noqa: BLE001 - everything that is no refusal is what is looked for
            print(json.dumps({"number": number, "error": traceback.format_exc()}))
            return 1
        finally:
            signal.alarm(0)
    print(json.dumps({**outcomes, "grown": peak() - before}))
    return 0


if __name__ == "__main__":
    sys.exit(main())
