"""The figures that the stage reference shows are those of the benchmark, and the words follow from them."""

import json
from importlib.resources import files
from pathlib import Path

from cloudprep.config.facts import stage_facts
from cloudprep.config.measured import main_figures, measured_text, measured_words
from cloudprep.config.reference import reference_page
from cloudprep.stages.registry import stage_class, stage_names

COMMITTED = Path(__file__).parents[2] / "benchmarks" / "accuracy.json"


def test_the_packages_figures_are_the_benchmarks():
    own = json.loads(files("cloudprep.config").joinpath("measured.json").read_text(encoding="utf-8"))
    assert own == main_figures(json.loads(COMMITTED.read_text(encoding="utf-8")))


def test_what_is_neither_good_nor_bad_isnt_listed():
    scenes = {
        "well": {"kept": 99.0, "accepted": 1.0},
        "so so": {"kept": 95.0, "accepted": 10.0},
        "lost": {"kept": 94.9, "accepted": 0.0},
        "greedy": {"kept": 100.0, "accepted": 10.1},
        "empty": {"kept": None, "accepted": 0.4},
    }
    words = measured_words({}, scenes)
    assert "Good at: `well` 99.0 / 1.0, `empty` - / 0.4." in words
    assert "Bad at: `lost` 94.9 / 0.0, `greedy` 100.0 / 10.1." in words
    assert "so so" not in words


def test_means_over_samples_by_hand():
    words = measured_words({"1": {"total": 2.0, "kappa": 90.0}, "2": {"total": 3.0, "kappa": 80.0}}, {})
    assert "2 reference samples" in words
    assert "mean total error 2.50 %, mean kappa 85.0 %" in words


def test_every_ground_stage_says_what_it_was_measured_to_be_good_at():
    for name in stage_names():
        if stage_class(name).kind == "ground":
            text = measured_text(name)
            assert "Measured on" in text, name
            assert stage_facts(stage_class(name)).measured == text
            assert text in reference_page([name])


def test_a_stage_that_wasnt_measured_says_nothing():
    assert measured_text("local_shape") == ""
