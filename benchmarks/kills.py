"""Batches killed (SIGKILL) at random moments and gone on with, held against one that nobody disturbed.

python benchmarks/kills.py [--tests 100] [--seed 1] [--sites 4] [--cold]

A batch of tiny sites is killed once or twice, at moments spread evenly over the time it takes or, mostly,
over the time that it is at work; every second time with the process that works for it, else alone. Then
``--resume`` carries it to its end. Its folder is held against that of a batch that nobody disturbed: names
and bytes of all files, times in records aside. After every kill, what lies under final names must be whole.
The first difference ends this with an error. At the end it prints where the kills hit.

Processes are copies of one that has its libraries loaded, so that most of their time is work; with ``--cold``
each is started as a user does.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from pathlib import Path

sys.path.append(str(Path(__file__).parents[1] / "tests" / "faults"))

from killing import Batch, many


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--tests", type=int, default=100)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--sites", type=int, default=4)
    parser.add_argument("--cold", action="store_true")
    options = parser.parse_args()
    began = time.monotonic()
    with tempfile.TemporaryDirectory(prefix="kills-") as folder:
        batch = Batch(Path(folder), options.sites, warm=not options.cold)
        batch.undisturbed()
        print(f"undisturbed: {batch.seconds:.1f} s")
        kills = many(batch, options.tests, options.seed, lambda line: print(line, flush=True))
    print(f"\n{options.tests} of {options.tests} folders equal to the undisturbed one, after {kills} kills")
    print(f"({time.monotonic() - began:.0f} s)\n")
    print("| where the kill hit | times |\n| --- | ---: |")
    for moment, times in batch.found.most_common():
        print(f"| {moment} | {times} |")


if __name__ == "__main__":
    main()
