"""The limit that a system may set on the addresses of a process (``ulimit -v``), and what fits into it.

Where addresses end, libraries fail in ways that nothing can be said about: they end the process, or turn in
circles while they are loaded. So a limit that is too small is told of before they are.
"""

from __future__ import annotations

import os
import resource

__all__ = ["address_limit", "bytes_within", "least_addresses", "too_few_addresses"]

# What a run of the demo took with the default stages on two processors, measured: 1.2 GB with one worker,
# 1.6 GB with two; with 1.4 GB and two workers it ended in a clear line.
_LEAST = 1_500_000_000
# Two libraries of linear algebra start a thread for every processor while they are loaded, and a stack has
# 8 MB as a rule. Reckoned, not measured.
_FOR_A_PROCESSOR = 16_000_000
# Addresses that are taken and never written to (libraries, room for the stacks of threads), measured.
_NEVER_WRITTEN = 1_000_000_000


def address_limit() -> int | None:
    """Return how many bytes of addresses this process may have, None if there is no limit."""
    limit = resource.getrlimit(resource.RLIMIT_AS)[0]
    return None if limit == resource.RLIM_INFINITY else limit


def least_addresses() -> int:
    """Return how many bytes of addresses are asked for before any library is loaded."""
    return _LEAST + _FOR_A_PROCESSOR * max(0, (os.cpu_count() or 1) - 2)


def too_few_addresses() -> str | None:
    """Return what to say where the limit is too small for any run, None where it isn't."""
    limit, least = address_limit(), least_addresses()
    if limit is None or limit >= least:
        return None
    return (
        f"a limit of this system (ulimit -v) leaves this program {limit / 1e9:.2f} GB of addresses, "
        f"and it needs {least / 1e9:.2f} GB before the first point is read: raise the limit"
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
