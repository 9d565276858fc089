"""What a process lets go is kept for the next stage in processes of our own, while there is memory enough."""

from __future__ import annotations

import subprocess
import sys

import pytest

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="the GNU C library's allocator")

# Pages that the system had to give (getrusage(2), minor faults) while the same 8 MB are taken ten times over;
# not NumPy's, which asks for huge pages; in a thread, as stages take them.
SCRIPT = """
import ctypes, resource, threading
from cloudprep.engine.heap import give_back, keep_freed, one_heap
libc = ctypes.CDLL(None)
libc.malloc.restype, libc.malloc.argtypes = ctypes.c_void_p, [ctypes.c_size_t]
libc.free.argtypes = [ctypes.c_void_p]
if {ours}:
    one_heap()
keep_freed({keep})
def taken():
    before = resource.getrusage(resource.RUSAGE_SELF).ru_minflt
    for _ in range(10):
        piece = libc.malloc(8 << 20)
        ctypes.memset(piece, 1, 8 << 20)
        libc.free(piece)
        give_back()
    pages.append(resource.getrusage(resource.RUSAGE_SELF).ru_minflt - before)
pages = []
for _ in range(2):
    thread = threading.Thread(target=taken)
    thread.start()
    thread.join()
taken()
keep_freed(False)
taken()
print(*pages)
"""
PAGES = 8 * 256


def pages(*, ours: bool, keep: bool) -> list[int]:
    done = subprocess.run(
        [sys.executable, "-c", SCRIPT.format(ours=ours, keep=keep)],
        capture_output=True,
        text=True,
        check=True,
    )
    return [int(number) for number in done.stdout.split()]


def test_what_is_let_go_is_used_again_by_any_thread() -> None:
    first, second, third, _ = pages(ours=True, keep=True)
    assert first < 2 * PAGES
    assert max(second, third) < PAGES / 10


def test_it_is_given_back_once_it_is_kept_no_longer() -> None:
    assert pages(ours=True, keep=True)[3] > 5 * PAGES


def test_where_memory_is_short_it_is_given_back_every_time() -> None:
    assert min(pages(ours=True, keep=False)) > 5 * PAGES


def test_nothing_is_kept_in_a_process_that_is_somebody_elses() -> None:
    assert pages(ours=False, keep=True)[2] > 5 * PAGES
