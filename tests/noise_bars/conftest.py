"""What the noise stages of ``bare_earth`` make of a few scenes that nothing was tuned on."""

from __future__ import annotations

import numpy as np
import pytest

from cloudprep.config import load_pipeline
from cloudprep.model.classes import NOISE_CODES
from cloudprep.testing import run_stage
from demo_clouds.noise_scenes import REPORTING_SEEDS, noise_scene
from demo_clouds.noise_scenes.score import Tally

SCENES = (
    ("lake", 2.0),
    ("town", 10.0),
    ("forest", 10.0),
    ("plant", 10.0),
    ("plant", 60.0),
    ("photo_town", 60.0),
    ("photo_wood", 60.0),
)


@pytest.fixture(scope="session")
def tallies() -> dict[str, Tally]:
    """Counts over all scenes (``all``), those below 10 points/m2 (``thin``) and the others (``dense``)."""
    found = {name: Tally() for name in ("all", "thin", "dense")}
    stages = [stage for stage in load_pipeline("bare_earth").build() if stage.kind == "noise"]
    for kind, density in SCENES:
        scene = noise_scene(kind, density, REPORTING_SEEDS[0])
        columns = scene.columns()
        for stage in stages:
            run = run_stage(stage, columns)
            columns = {**columns, **run.labels, **run.working}
        called = np.isin(columns["classification"], NOISE_CODES)
        for name in ("all", "thin" if density < 10.0 else "dense"):
            found[name].add(scene, called)
    return found
