"""The script that docs/ci.md tells people to copy does what it says there."""

import os
import re
import subprocess
import sys
import xml.etree.ElementTree as ET
from pathlib import Path

import numpy as np
import pytest

PAGE = Path(__file__).parents[2] / "docs" / "ci.md"


@pytest.fixture
def script(tmp_path):
    """The block of the page, in a file."""
    blocks = re.findall(r"<!-- the CI example:.*?-->\s*```sh\n(.*?)```", PAGE.read_text("utf-8"), re.DOTALL)
    assert len(blocks) == 1
    path = tmp_path / "judge.sh"
    path.write_text(blocks[0], "utf-8")
    return path


@pytest.fixture
def run_script(script, tmp_path):
    """Return a function that calls the script as a build server would."""

    def call(*arguments):
        path = f"{Path(sys.executable).parent}{os.pathsep}{os.environ['PATH']}"
        return subprocess.run(
            ["/bin/sh", str(script), *map(str, arguments)],
            check=False,
            capture_output=True,
            text=True,
            cwd=tmp_path,
            env={**os.environ, "PATH": path},
        )

    return call


def _outcomes(path):
    """Return how many test cases a build server counts, and how many failed."""
    cases = list(ET.parse(path).iter("testcase"))  # noqa: S314 - written here
    return len(cases), sum(case.find("failure") is not None for case in cases)


def _timeless(cloud):
    cloud.gps_time = np.zeros(len(cloud.points))


def test_a_sound_capture_is_accepted_and_a_damaged_one_refused_in_the_same_folder(
    capture, run_script, tmp_path
):
    results = tmp_path / "results"
    good = run_script(capture(), results)
    assert good.returncode == 0, good.stderr
    assert good.stdout.rstrip().endswith("The capture is accepted.")
    cases, failures = _outcomes(results / "gates.xml")
    assert cases > 40
    assert failures == 0
    assert (results / "gates.md").read_text("utf-8") in good.stdout
    bad = run_script(capture(_timeless, folder="damaged"), results)
    assert bad.returncode == 3, bad.stderr
    assert bad.stdout.rstrip().endswith("The capture is refused: a gate failed.")
    assert _outcomes(results / "gates.xml") == (cases, 1)
    page = (results / "gates.md").read_text("utf-8").splitlines()
    row = next(line for line in page if "times.missing" in line.replace("\\", "") and "flight2.laz" in line)
    assert row.endswith("| FAILED |")


def test_a_capture_that_cannot_be_used_leaves_no_old_judgement_behind(capture, run_script, tmp_path):
    results = tmp_path / "results"
    (results / "run").mkdir(parents=True)
    for folder in (results, results / "run"):
        (folder / "gates.xml").write_text("of an earlier capture")
    nothing = run_script(tmp_path / "nowhere", results)
    assert nothing.returncode == 2
    assert nothing.stdout.rstrip().endswith("The capture was not judged.")
    assert not (results / "gates.xml").exists()
