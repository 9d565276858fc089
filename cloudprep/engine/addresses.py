"""The limit that a system may set on the addresses of a process (``ulimit -v``), and what fits into it.

Where addresses end, libraries fail in ways that nothing can be said about: they end the process, or turn in
circles while they are loaded. So a limit that is too small is told of before they are.
"""

from __future__ import annotations

import sys

__all__ = ["LEAST_ADDRESSES", "address_limit", "bytes_within", "too_few_addresses"]

# What a run of a few hundred points took with the default stages, measured: 1.2 GB with one worker, 1.6 GB
# with two; with 1.4 GB and two workers it ended in a clear line.
LEAST_ADDRESSES = 1_500_000_000
# Addresses that are taken and never written to (libraries, room for the stacks of threads), measured.
_NEVER_WRITTEN = 1_000_000_000


def address_limit() -> int | None:
    """Return how many bytes of addresses this process may have, None if there is no limit."""
    if sys.platform == "win32":
        return None
    import resource  # noqa: PLC0415 - not on every system

    limit = resource.getrlimit(resource.RLIMIT_AS)[0]
    return None if limit in (resource.RLIM_INFINITY, -1) else limit


def too_few_addresses() -> str | None:
    """Return what to say where the limit is too small for any run, None where it isn't."""
    limit = address_limit()
    if limit is None or limit >= LEAST_ADDRESSES:
        return None
    return (
        f"a limit of this system (ulimit -v) leaves this program {limit / 1e9:.2g} GB of addresses, "
        f"and it needs {LEAST_ADDRESSES / 1e9:.2g} GB before the first point is read: raise the limit"
    )


def bytes_within(total: int) -> int:
    """Return how much of a memory can be used at all: no more than the limit of addresses leaves.

    Parameters
    ----------
    total : int
        The memory, bytes.
    """
    limit = address_limit()
    return total if limit is None else min(total, max(0, limit - _NEVER_WRITTEN))
