"""Ground classification on reference samples: error rates and kappa beside published figures.

python benchmarks/accuracy.py FOLDER [--write]

FOLDER holds ``samp*.laz`` with an extra dimension ``reference_class`` (2 ground, 1 object): samples of the
ISPRS filter test (Sithole and Vosselman 2004). By default the environment variable CLOUDPREP_FILTER_TEST
names it. ``--write`` puts the table into accuracy.md, to which a test holds the code. Parameters are the
defaults for every sample.
"""

from __future__ import annotations

import argparse
import os
import sys
from pathlib import Path

import laspy
import numpy as np

from cloudprep.config import load_pipeline
from cloudprep.kernels.agreement import Confusion, confusion
from cloudprep.testing import run_stage

TABLE = Path(__file__).with_name("accuracy.md")
GROUND = 2
HEAD = """# Accuracy of the ground stage

The labelling stages of `bare_earth` with all defaults, one automatic set of parameters for every sample of
the ISPRS filter test (airborne laser points, hand-made reference; samples 21, 31, 42, 51 and 53 from a copy
with coarsely rounded coordinates). The three columns on the right are published total errors in percent, from
memory; those of Pingel and Hu were tuned for each sample. Made by `benchmarks/accuracy.py`.

"""
TAIL = """
The defaults were chosen with these samples in view, so the figures are not from unseen data. How much they
owe to that was measured once, with `low_points` and `progressive_ground` alone, every sample as it is,
shifted by (0.37, 0.61) m, turned by 37 degrees, and turned by 65 degrees and shifted: mean total error 3.88
%, kappa 86.7 %, so little is luck of the lattice. Of 25 pairs of `slope` (0.2 to 0.4) and `initial_threshold`
(0.2 to 0.4 m) the worst gave 4.35 %, the best 3.74 %; the best pair for one half (11, 21, 42, 53) gave 3.43 %
on the other (12, 31, 51, 54), and the other way round 5.73 %, where the defaults give 2.57 % and 5.18 %.
"""

# Total error, %, of the best participant of the filter test (Axelsson) and of two later methods, tuned for
# each sample (Pingel et al. 2013, Hu et al. 2014); from memory, checked by the published means.
PUBLISHED = {
    "11": (10.76, 8.28, 8.31),
    "12": (3.25, 2.92, 2.58),
    "21": (4.25, 1.10, 0.95),
    "22": (3.63, 3.35, 3.23),
    "23": (4.00, 4.61, 4.42),
    "24": (4.42, 3.52, 3.80),
    "31": (4.78, 0.91, 0.90),
    "41": (13.91, 5.91, 5.91),
    "42": (1.62, 1.48, 0.73),
    "51": (2.72, 1.43, 2.04),
    "52": (3.07, 3.82, 2.52),
    "53": (8.91, 2.43, 2.74),
    "54": (3.23, 2.27, 2.35),
    "61": (2.08, 0.86, 0.84),
    "71": (1.63, 1.65, 1.50),
}


def classify(path: Path) -> Confusion:
    """Run the labelling stages of the main job on one sample and compare."""
    cloud = laspy.read(path)
    origin = tuple(float(np.floor(v / 1000) * 1000) for v in cloud.header.mins[:2])
    columns = {
        "x": np.asarray(cloud.x) - origin[0],
        "y": np.asarray(cloud.y) - origin[1],
        "z": np.asarray(cloud.z).astype(float),
        "classification": np.zeros(len(cloud), np.uint8),
        "withheld": np.zeros(len(cloud), bool),
        "return_number": np.asarray(cloud.return_number).astype(np.uint8),
        "number_of_returns": np.asarray(cloud.number_of_returns).astype(np.uint8),
    }
    for stage in load_pipeline("bare_earth").build():
        if stage.provides:
            columns.update(run_stage(stage, columns, origin=origin).labels)
    return confusion(columns["classification"] == GROUND, np.asarray(cloud["reference_class"]) == GROUND)


def measure(folder: Path) -> dict[str, Confusion]:
    """Return the counts of every sample in a folder, by its number."""
    samples = sorted(folder.glob("samp*.laz"))
    if not samples:
        sys.exit(f"{folder}: no samp*.laz here")
    return {path.stem.removeprefix("samp"): classify(path) for path in samples}


def table(scores: dict[str, Confusion]) -> str:
    """Return the scores as a Markdown table, with means."""
    lines = [
        "| sample | Type I % | Type II % | total % | kappa % | Axelsson | Pingel tuned | Hu tuned |",
        "| --- | --- | --- | --- | --- | --- | --- | --- |",
    ]
    rows = []
    for name, score in scores.items():
        own = [100 * v for v in (score.type_1, score.type_2, score.total, score.kappa)]
        others = list(PUBLISHED.get(name, (np.nan,) * 3))
        rows.append(own + others)
        cells = [f"{v:.2f}" for v in rows[-1]]
        lines.append(f"| {name} | " + " | ".join(cells) + " |")
    lines.append("| mean | " + " | ".join(f"{v:.2f}" for v in np.mean(rows, axis=0)) + " |")
    return "\n".join(lines)


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("folder", nargs="?", default=os.environ.get("CLOUDPREP_FILTER_TEST"))
    parser.add_argument("--write", action="store_true")
    options = parser.parse_args()
    if not options.folder:
        parser.error("name the folder of the samples, or set CLOUDPREP_FILTER_TEST")
    text = table(measure(Path(options.folder)))
    print(text)
    if options.write:
        TABLE.write_text(HEAD + text + "\n" + TAIL, encoding="utf-8")


if __name__ == "__main__":
    main()
