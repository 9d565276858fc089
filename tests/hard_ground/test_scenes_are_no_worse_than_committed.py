"""The default ground stage on every scene is no worse than the committed figures say.

`python benchmarks/accuracy.py FOLDER --write` writes those; a change for the better needs them written anew.
"""

import json
from pathlib import Path

import pytest

from demo_clouds.scenes import SCENES

FIGURES = json.loads((Path(__file__).parents[2] / "benchmarks" / "accuracy.json").read_text(encoding="utf-8"))
SLACK = 0.1  # percentage points
SLACK_RMSE = 0.01  # m


def committed():
    import ground_scores as scores

    return FIGURES.get("scenes", {}).get(scores.default_stage(), {})


def test_every_scene_is_in_the_committed_figures(judge):
    assert set(committed()) == set(SCENES)


@pytest.mark.parametrize("name", SCENES)
def test_a_scene_is_no_worse(judge, name):
    before = committed().get(name)
    if before is None:
        pytest.skip("not in the committed figures")
    now = judge(name)
    if before["kept"] is not None:
        assert now.kept >= before["kept"] - SLACK
    assert now.accepted <= before["accepted"] + SLACK
    if before["rmse"] is not None:
        assert now.rmse <= before["rmse"] + SLACK_RMSE
