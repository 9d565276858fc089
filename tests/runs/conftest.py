"""Made-up flights and cheap batches of them."""

import laspy
import numpy as np
import pytest
from pyproj import CRS

from cloudprep.engine.progress import Silent
from cloudprep.engine.request import RunOutcome
from cloudprep.engine.run import run_site
from cloudprep.errors import CloudprepError
from cloudprep.runs.batch import BatchRequest, run_batch
from cloudprep.runs.worker import Answer


class Listening(Silent):
    """Notes what it is told."""

    def __init__(self):
        self.notes = []
        self.steps = []

    def note(self, text):
        self.notes.append(text)

    def start(self, name, total):
        self.steps.append(name)


class InThisProcess:
    """Carries out the runs of sites in the process of the test."""

    def __init__(self):
        self.requests = []

    def carry_out(self, request, progress):
        self.requests.append(request)
        try:
            return Answer(run_site(request, progress)), ""
        except CloudprepError as error:
            return Answer(failure=str(error)), ""

    @property
    def sites(self):
        return [request.out.name for request in self.requests]


class MadeUp(InThisProcess):
    """Carries out nothing: says what a run might have said; `outcomes` by site."""

    def __init__(self, **outcomes):
        super().__init__()
        self.outcomes = outcomes

    def carry_out(self, request, progress):
        self.requests.append(request)
        said = self.outcomes.get(request.out.name, "done")
        if isinstance(said, BaseException):
            raise said
        if said.startswith("no: "):
            return Answer(failure=said.removeprefix("no: ")), ""
        outcome = "failed" if said == "gate_failed" else "passed"
        gates = [
            {"outcome": outcome, "reason": "points.count is 1, below 2", "flight": ""},
            {"outcome": "warned", "reason": "never mind", "flight": ""},
        ]
        bad = said == "some_inputs_failed"
        inputs = [
            {"path": p, "status": "failed" if bad and not i else "done", "reason": "torn"}
            for i, p in enumerate(request.inputs)
        ]
        record = {"status": said, "inputs": inputs, "gates": gates, "seconds": 1.5, "warnings": ["w"]}
        return Answer(RunOutcome(record, 0, [])), "a remark"


@pytest.fixture
def flight(tmp_path):
    """Write a flat flight of a few hundred points, 20 m wide, at a place in metres; returns its path."""

    def write(name, east=0.0, north=0.0, *, epsg=32632, size=20.0, count=400, unit=1.0):
        path = tmp_path / "flights" / name
        path.parent.mkdir(parents=True, exist_ok=True)
        header = laspy.LasHeader(point_format=6, version="1.4")
        header.scales = np.full(3, 0.001)
        header.offsets = np.array([412_000.0, 5_654_000.0, 0.0]) / unit
        if epsg is not None:
            header.add_crs(CRS.from_epsg(epsg))
        cloud = laspy.LasData(header)
        random = np.random.default_rng(1)
        # Its corners are points, so that the extent is known.
        x, y = (np.concatenate([[0.0, size], random.uniform(0, size, max(count - 2, 0))]) for _ in range(2))
        x, y = x[:count], y[:count]
        cloud.x, cloud.y = (x + 412_000.0 + east) / unit, (y + 5_654_000.0 + north) / unit
        cloud.z = np.round(random.normal(0, 0.02, count), 3)
        cloud.return_number[:] = cloud.number_of_returns[:] = 1
        cloud.write(path)
        return path

    return write


@pytest.fixture
def pipeline(tmp_path):
    """Write a cheap pipeline and return its path."""

    def write(slope=0.15, more=""):
        path = tmp_path / "quick.yaml"
        path.write_text(
            f"cloudprep: 1\nstages:\n  - stage: simple_morphological\n    slope: {slope}\n{more}",
            encoding="utf-8",
        )
        return path

    return write


@pytest.fixture
def batch(tmp_path, pipeline):
    """Carry out a batch of all flights written so far; returns the outcome, what was told, the carrier."""

    def go(*inputs, carrier=None, declared=None, out="out", **options):
        heard, carrier = Listening(), carrier or InThisProcess()
        request = BatchRequest(
            pipeline=str(declared or pipeline()),
            inputs=tuple(map(str, inputs or [tmp_path / "flights"])),
            out=tmp_path / out,
            **options,
        )
        return run_batch(request, heard, carrier), heard, carrier

    return go


@pytest.fixture
def made_up():
    """Return the carrier that says what a run might have said."""
    return MadeUp
