"""The published ground filters, with their one set of parameters, on samples of the ISPRS filter test.

Source of the samples: Sithole and Vosselman 2004, ISPRS Journal 59:85-101, hand-made reference. They are not
part of this repository: the test runs where CLOUDPREP_FILTER_TEST names their folder. Bars lie 0.1 to 0.2
percentage points beyond what was measured on eight samples (11, 12, 21, 31, 42, 51, 53, 54).
"""

import importlib.util
import os
import sys
from pathlib import Path

import numpy as np
import pytest

BENCHMARKS = Path(__file__).parents[2] / "benchmarks"
FOLDER = os.environ.get("CLOUDPREP_FILTER_TEST", "")
EIGHT = {"11", "12", "21", "31", "42", "51", "53", "54"}

# Stage -> mean total error at most, mean kappa at least, percent.
BARS = {
    "simple_morphological": (4.3, 85.6),  # measured: 4.16, 86.04
    "tin_densification": (5.0, 83.9),  # measured: 4.85, 84.36
    "cloth_simulation": (7.3, 78.1),  # measured: 7.10, 78.55
}


@pytest.fixture(scope="module")
def accuracy():
    spec = importlib.util.spec_from_file_location("accuracy", BENCHMARKS / "accuracy.py")
    module = importlib.util.module_from_spec(spec)
    # Its pools of processes find its functions by name.
    sys.modules["accuracy"] = module
    spec.loader.exec_module(module)
    return module


@pytest.mark.slow
@pytest.mark.skipif(not FOLDER, reason="CLOUDPREP_FILTER_TEST names no folder with the reference samples")
@pytest.mark.parametrize("stage", BARS)
def test_published_filter_scores_as_measured(accuracy, stage):
    rows = accuracy.measure_samples(Path(FOLDER), (stage,))[stage]
    if not set(rows) >= EIGHT:
        pytest.skip("the folder lacks some of the eight samples")
    total, kappa = (np.mean([rows[name][figure] for name in EIGHT]) for figure in ("total", "kappa"))
    assert total <= BARS[stage][0]
    assert kappa >= BARS[stage][1]
