"""A pipeline from anybody runs no code and writes nothing outside the folder of the run."""

from __future__ import annotations

import warnings
from importlib.metadata import EntryPoint

import numpy as np
import pytest

from cloudprep import __version__
from cloudprep.config import load_pipeline
from cloudprep.engine.progress import Silent
from cloudprep.engine.run import RunRequest, run_site
from cloudprep.errors import ConfigError
from cloudprep.model.grid import Grid, Window
from cloudprep.stages import registry

PLAIN = "cloudprep: 1\nstages:\n  - stage: terrain_grid\n    cell: 1\n"


@pytest.mark.parametrize(
    "text",
    [
        "cloudprep: 1\nstages: !!python/object/apply:os.system ['touch {0}/ran']\n",
        "cloudprep: 1\nstages:\n  - stage: !!python/name:os.system\n",
        "cloudprep: 1\nstages:\n  - stage: os:system\n",
        "cloudprep: 1\nstages:\n  - stage: cloudprep.io.atomic:make_folder\n",
        PLAIN + "output: {{tiles: {{size: 10, name: '../../ran_{{product}}_{{east}}_{{north}}'}}}}\n",
        PLAIN + "output: {{tiles: {{size: 10, name: '{0}/ran_{{product}}_{{east}}_{{north}}'}}}}\n",
        PLAIN + "output: {{tiles: {{size: 10, name: '{{product.__class__}}_{{east}}_{{north}}'}}}}\n",
        PLAIN + "output: {{format: '../laz'}}\n",
        PLAIN + "output: {{layers: ['../gpkg']}}\n",
        # Nine aliases of nine aliases ...: 10^9 values if it were followed.
        "a0: &a0 [x]\n"
        + "".join(f"a{i}: &a{i} [{', '.join(f'*a{i - 1}' for _ in range(9))}]\n" for i in range(1, 10)),
    ],
)
def test_it_is_refused_and_nothing_happens(tmp_path, text):
    folder = tmp_path / "inner"
    folder.mkdir()
    path = folder / "site.yaml"
    path.write_text(text.format(tmp_path))
    with pytest.raises(ConfigError) as caught:
        load_pipeline(path)
    assert all(problem.startswith(f"{path}:") for problem in caught.value.problems)
    assert list(tmp_path.iterdir()) == [folder]
    assert list(folder.iterdir()) == [path]


def test_a_stage_is_loaded_from_installed_packages_only(tmp_path, monkeypatch):
    # A module beside the pipeline, or in the working folder, is no stage however it is called.
    (tmp_path / "my_stage.py").write_text(f"open({str(tmp_path / 'ran')!r}, 'w')\n")
    monkeypatch.chdir(tmp_path)
    monkeypatch.syspath_prepend(tmp_path)
    path = tmp_path / "site.yaml"
    for name in ("my_stage", "my_stage:Stage", "./my_stage.py"):
        path.write_text(f"cloudprep: 1\nstages:\n  - stage: {name}\n")
        with pytest.raises(ConfigError, match=r"no stage is called|must be"):
            load_pipeline(path)
    assert not (tmp_path / "ran").exists()


@pytest.mark.parametrize("name", ["../dtm", "/x/dtm", "a/b", "..", ".hidden", "", "a\0b", "a\nb"])
def test_no_raster_leads_out_of_the_folder(name):
    with pytest.raises(ValueError, match="can't name a product"):
        Grid(name, np.zeros((1, 1), np.float32), Window(1.0, 0, 0, 1, 1), "")


class _Packaged(EntryPoint):
    """An entry point of an invented package."""

    @property
    def dist(self):
        return type("Package", (), {"name": "rock-tools", "version": "2.5"})()


def test_the_record_names_the_package_of_every_stage(clouds, tmp_path, monkeypatch):
    point = _Packaged(
        "rock_grid", "cloudprep.stages.surface.terrain_grid:TerrainGrid", registry.ENTRY_POINT_GROUP
    )
    monkeypatch.setattr(registry, "entry_points", lambda group: [point] if group == point.group else [])
    monkeypatch.setattr("cloudprep.stages.surface.terrain_grid.TerrainGrid.name", "rock_grid")
    registry._locations.cache_clear()
    try:
        path = tmp_path / "site.yaml"
        path.write_text("cloudprep: 1\nstages:\n  - stage: low_points\n  - stage: rock_grid\n    cell: 1\n")
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            outcome = run_site(
                RunRequest(load_pipeline(path), (str(clouds.write()),), tmp_path / "out"), Silent()
            )
    finally:
        registry._locations.cache_clear()
    assert [s["package"] for s in outcome.record["stages"]] == [f"cloudprep {__version__}", "rock-tools 2.5"]
