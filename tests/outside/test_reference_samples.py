"""Ground on the reference samples of the ISPRS filter test is no worse than the committed figures say.

Source of the samples: Sithole and Vosselman 2004, ISPRS Journal 59:85-101, hand-made reference. They are not
part of this repository: the test runs where CLOUDPREP_FILTER_TEST names their folder.
"""

import importlib.util
import json
import os
import re
import sys
from pathlib import Path

import numpy as np
import pytest

from cloudprep.config import load_pipeline

BENCHMARKS = Path(__file__).parents[2] / "benchmarks"
FOLDER = os.environ.get("CLOUDPREP_FILTER_TEST", "")
SLACK = 0.1  # percentage points


@pytest.fixture(scope="module")
def accuracy():
    spec = importlib.util.spec_from_file_location("accuracy", BENCHMARKS / "accuracy.py")
    module = importlib.util.module_from_spec(spec)
    # Its pools of processes find its functions by name.
    sys.modules["accuracy"] = module
    spec.loader.exec_module(module)
    return module


def default_stage():
    return next(s.name for s in load_pipeline("bare_earth").build() if s.kind == "ground")


def committed():
    """Return the figures of each sample for the default stage, percent."""
    figures = json.loads((BENCHMARKS / "accuracy.json").read_text(encoding="utf-8"))
    assert default_stage() in figures["samples"], "write the figures anew: the default stage is another one"
    return figures["samples"][default_stage()]


def test_the_page_and_the_figures_agree():
    rows = committed()
    assert len(rows) >= 8
    page = (BENCHMARKS / "accuracy.md").read_text(encoding="utf-8")
    row = next(line for line in page.splitlines() if line.startswith(f"| `{default_stage()}` |"))
    shown = [float(v) for v in re.findall(r"\d+\.\d+", row)]
    names = ("type_1", "type_2", "total", "kappa")
    means = [np.mean([of[name] for of in rows.values()]) for name in names]
    assert shown == pytest.approx(means, abs=0.011)


def test_published_figures_have_their_published_means(accuracy):
    # Means of the 15 samples: Axelsson 4.82 (Sithole and Vosselman 2004), Pingel et al. 2013 2.97, Hu et al.
    # 2014 2.85; from memory.
    import ground_published as published

    means = np.mean(list(published.PER_SAMPLE.values()), axis=0)
    assert len(published.PER_SAMPLE) == 15
    assert means == pytest.approx([4.82, 2.97, 2.85], abs=0.006)


@pytest.mark.slow
@pytest.mark.skipif(not FOLDER, reason="CLOUDPREP_FILTER_TEST names no folder with the reference samples")
def test_ground_is_no_worse_than_committed(accuracy):
    stage = default_stage()
    now, before = accuracy.measure_samples(Path(FOLDER), (stage,))[stage], committed()
    shared = [name for name in now if name in before]
    assert shared, "the folder holds none of the committed samples"
    worse = {
        (name, figure): (before[name][figure], now[name][figure])
        for name in shared
        for figure, sign in (("total", 1), ("kappa", -1))
        if sign * (now[name][figure] - before[name][figure]) > SLACK * (1 if figure == "total" else 5)
    }
    for figure, sign in (("total", 1), ("kappa", -1)):
        change = np.mean([now[n][figure] - before[n][figure] for n in shared])
        assert sign * change <= SLACK, f"mean {figure} changed by {change:.3f}, {worse}"
    assert not worse, "before and now"
