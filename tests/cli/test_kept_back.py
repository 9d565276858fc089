"""Memory that is kept back lets a command say that there is none, and Python keeps quiet about the rest."""

from __future__ import annotations

import subprocess
import sys

import pytest

# Takes all memory that a limit of the system leaves, down to pieces far smaller than what a line needs.
GREEDY = """
import resource, sys
from cloudprep.cli import kept_back
from cloudprep.cli.console import tell
kept_back.keep_back()
used = int(open("/proc/self/statm").read().split()[0]) * resource.getpagesize()
resource.setrlimit(resource.RLIMIT_AS, (used + 20_000_000,) * 2)
held = []
for size in (1 << 20, 1 << 14, 1 << 9, 1 << 6):
    try:
        while True:
            held.append(bytes(size))
    except MemoryError:
        pass
if sys.argv[1] == "handed out":
    kept_back.hand_out()
tell("no memory" * 5_000)
"""


@pytest.mark.skipif(sys.platform != "linux", reason="asks the system for a limit as Linux has it")
@pytest.mark.parametrize("how", ["handed out", "kept"])
def test_a_long_line_can_be_said_of_what_was_kept_back_and_of_nothing_else(how):
    done = subprocess.run(
        [sys.executable, "-c", GREEDY, how], capture_output=True, text=True, check=False, timeout=60
    )
    assert (done.returncode == 0) == (how == "handed out"), done.stderr
    assert done.stderr.startswith("cloudprep: no memory") == (how == "handed out")


UNTIDY = """
import sys
from cloudprep.cli import kept_back

class Untidy:
    def __init__(self, error):
        self.error = error
    def __del__(self):
        raise self.error

if sys.argv[1] != "another's":
    kept_back.keep_back()
if sys.argv[1] != "kept":
    kept_back.hand_out()
left = Untidy(ERROR('untidy'))
del left
"""


@pytest.mark.parametrize("error", ["MemoryError", "ValueError"])
@pytest.mark.parametrize("how", ["handed out", "kept", "another's"])
def test_what_cant_be_tidied_up_is_only_not_told_where_memory_ran_out(how, error):
    told = UNTIDY.replace("ERROR", error)
    done = subprocess.run(
        [sys.executable, "-c", told, how], capture_output=True, text=True, check=False, timeout=60
    )
    assert done.returncode == 0, done.stderr
    assert (f"{error}: untidy" in done.stderr) == (how != "handed out" or error == "ValueError")
