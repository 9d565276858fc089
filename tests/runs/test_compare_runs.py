"""What changed between two runs: made by hand, with answers that numpy reckons from the arrays."""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

import laspy
import numpy as np
import pytest
import rasterio
from junitparser import JUnitXml
from rasterio.transform import Affine

from cloudprep.config import Gate
from cloudprep.engine.record import InputRecord, OutputRecord, RunRecord, StageRecord, write_record
from cloudprep.errors import EXIT_DONE, EXIT_GATE_FAILED, UsageError
from cloudprep.judging import Judged, judge
from cloudprep.runs import compare_clouds as clouds_module
from cloudprep.runs import compare_grids as grids_module
from cloudprep.runs.compare import Tolerances, compare_runs
from cloudprep.runs.compare_files import write_comparison

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from cloudprep.runs.compare import RunComparison

COUNT = 5000


@dataclass
class Made:
    """A run folder made by hand."""

    root: Path
    inputs: list[InputRecord] = field(default_factory=list)
    outputs: list[OutputRecord] = field(default_factory=list)
    more: dict[str, Any] = field(default_factory=dict)

    def flight(
        self,
        path: str,
        codes: NDArray[np.uint8] | None,
        *,
        confidence: NDArray[np.uint8] | None = None,
        checksum: str | None = None,
        shift: int = 0,
        **more: Any,
    ) -> Made:
        """Add an input and what was delivered of it."""
        name = Path(path).name
        failed = more.get("status") == "failed"
        self.inputs.append(
            InputRecord(
                path=path,
                size_bytes=1,
                sha256=hashlib.sha256(name.encode()).hexdigest() if checksum is None else checksum,
                points=0 if codes is None else len(codes),
                **{"status": "done", **more},
            )
        )
        if codes is None or failed:
            return self
        header = laspy.LasHeader(point_format=6, version="1.4")
        header.scales = np.full(3, 0.01)
        if confidence is not None:
            header.add_extra_dim(laspy.ExtraBytesParams("ground_confidence", np.uint8))
        cloud = laspy.LasData(header)
        cloud.X = np.arange(len(codes)) * 7 % 1000 + shift
        cloud.Y = np.arange(len(codes))
        cloud.Z = np.arange(len(codes)) % 13
        cloud.return_number = cloud.number_of_returns = np.ones(len(codes), np.uint8)
        cloud.classification = codes
        if confidence is not None:
            cloud["ground_confidence"] = confidence
        target = self.root / "clouds" / f"{len(self.inputs)}_{name}"
        target.parent.mkdir(parents=True, exist_ok=True)
        cloud.write(target)
        return self._output(target, "cloud", source=path, points=len(codes))

    def raster(
        self,
        name: str,
        values: NDArray[Any],
        *,
        corner: tuple[float, float] = (400_000.0, 5_600_000.0),
        cell: float = 0.5,
        unit: str = "metre",
        nodata: float = -9999,
    ) -> Made:
        """Add a raster; row 0 is the northernmost, the corner the north-western."""
        target = self.root / "terrain" / name
        target.parent.mkdir(parents=True, exist_ok=True)
        with rasterio.open(
            target,
            "w",
            driver="GTiff",
            width=values.shape[1],
            height=values.shape[0],
            count=1,
            dtype=values.dtype,
            nodata=nodata,
            crs="EPSG:32632",
            transform=Affine(cell, 0, corner[0], 0, -cell, corner[1]),
        ) as file:
            file.write(values, 1)
            file.units = (unit,)
        return self._output(target, "raster")

    def file(self, name: str, content: bytes, kind: Any = "layers") -> Made:
        """Add a file of another kind."""
        target = self.root / "terrain" / name
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_bytes(content)
        return self._output(target, kind)

    def _output(self, target: Path, kind: Any, **more: Any) -> Made:
        path = target.relative_to(self.root).as_posix()
        self.outputs.append(OutputRecord(path=path, kind=kind, size_bytes=1, sha256="", **more))
        return self

    def done(self) -> Path:
        """Write the record; return the folder."""
        self.root.mkdir(parents=True, exist_ok=True)
        values: dict[str, Any] = {
            "status": "done",
            "started": "2026-03-01T07:08:09+00:00",
            "finished": "2026-03-01T07:09:09+00:00",
            "seconds": 60.0,
            "peak_memory_bytes": 1,
            "versions": {"cloudprep": "1"},
            "workers": 1,
            "pipeline_source": "x.yaml",
            "pipeline": {},
            "inputs": self.inputs,
            "outputs": self.outputs,
        }
        write_record(RunRecord(**{**values, **self.more}), self.root)
        return self.root


@pytest.fixture
def made(tmp_path: Path) -> tuple[Made, Made]:
    return Made(tmp_path / "a"), Made(tmp_path / "b")


def codes_of(seed: int = 0) -> NDArray[np.uint8]:
    return np.random.default_rng(seed).choice(np.array([1, 2, 2, 5, 7], np.uint8), COUNT)


def verdicts(found: RunComparison) -> dict[tuple[str, str], str]:
    return {(one.about, Path(one.name).name): one.verdict for one in found.findings}


def test_labels_are_counted_from_class_to_class(
    made: tuple[Made, Made], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(clouds_module, "_CHUNK", 777)
    a, b = codes_of(1), codes_of(1)
    changed = np.random.default_rng(2).choice(COUNT, 60, replace=False)
    b[changed] = np.random.default_rng(3).choice(np.array([1, 2, 18], np.uint8), 60)
    one, two = (
        m.flight("in/x.laz", c).flight("in/y.laz", a).done() for m, c in zip(made, (a, b), strict=True)
    )
    found = compare_runs(one, two)
    number = int(np.count_nonzero(a != b))
    x = found.as_dict()["labels"]["flights"][0]
    noise_a, noise_b = np.isin(a, (7, 18)), np.isin(b, (7, 18))
    assert x["points"] == COUNT
    assert x["relabelled"] == number > 0
    assert x["ground_gained"] == np.count_nonzero((b == 2) & (a != 2))
    assert x["ground_lost"] == np.count_nonzero((a == 2) & (b != 2))
    assert x["noise_gained"] == np.count_nonzero(noise_b & ~noise_a)
    assert x["noise_lost"] == np.count_nonzero(noise_a & ~noise_b)
    told = {(c["from"], c["to"]): c["points"] for c in x["changed_class"]}
    pairs, counts = np.unique(np.stack([a, b])[:, a != b], axis=1, return_counts=True)
    assert told == {(int(p), int(q)): int(n) for p, q, n in zip(*pairs, counts, strict=True)}
    assert x["kept_class"] == {str(c): int(np.count_nonzero((a == c) & (b == c))) for c in (1, 2, 5, 7)}
    together = found.as_dict()["labels"]["all"]
    assert (together["points"], together["relabelled"]) == (2 * COUNT, number)
    assert verdicts(found) == {("labels", "x.laz"): "beyond", ("labels", "y.laz"): "same"}
    assert found.exit_code == EXIT_GATE_FAILED


def test_tolerances_are_shares_of_each_flight(made: tuple[Made, Made]) -> None:
    a, b = codes_of(), codes_of()
    b[:10] = 6
    one, two = (m.flight("x.laz", c).flight("y.laz", a).done() for m, c in zip(made, (a, b), strict=True))
    for share, verdict, code in ((10 / COUNT, "within", EXIT_DONE), (9 / COUNT, "beyond", EXIT_GATE_FAILED)):
        found = compare_runs(one, two, Tolerances(labels_changed=share))
        assert verdicts(found)["labels", "x.laz"] == verdict
        assert found.exit_code == code


def test_extra_dimensions_are_told_by_mean_and_quantiles(made: tuple[Made, Made]) -> None:
    rng = np.random.default_rng(4)
    before, after = rng.integers(0, 101, (2, COUNT)).astype(np.uint8)
    codes = codes_of()
    one, two = (
        m.flight("x.laz", codes, confidence=c).done() for m, c in zip(made, (before, after), strict=True)
    )
    found = compare_runs(one, two)
    told = found.as_dict()["labels"]["flights"][0]["dimensions"]["ground_confidence"]
    both = (before > 0) & (after > 0)
    differences = after[both].astype(int) - before[both]
    assert told["changed"] == np.count_nonzero(before != after)
    assert told["only_first"] == np.count_nonzero((before > 0) & (after == 0))
    assert told["only_second"] == np.count_nonzero((after > 0) & (before == 0))
    assert told["mean"] == pytest.approx(differences.mean())
    for name, share in (("quantile_05", 0.05), ("median", 0.5), ("quantile_95", 0.95)):
        assert told[name] == np.quantile(differences, share, method="inverted_cdf")
    assert verdicts(found)["ground_confidence", "x.laz"] == "beyond"
    assert not compare_runs(one, two, Tolerances(dimensions_changed=1)).beyond


def test_a_dimension_of_one_run_only_is_too_much(made: tuple[Made, Made]) -> None:
    codes = codes_of()
    one = made[0].flight("x.laz", codes, confidence=codes).done()
    two = made[1].flight("x.laz", codes).done()
    assert verdicts(compare_runs(one, two))["ground_confidence", "x.laz"] == "beyond"


def test_rasters_are_compared_where_both_have_cells(
    made: tuple[Made, Made], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(grids_module, "_SIDE", 17)  # windows that cut across everything
    rng = np.random.default_rng(5)
    whole = rng.normal(100, 5, (60, 80)).astype(np.float32)
    changed = whole + np.where(rng.random(whole.shape) < 0.2, rng.normal(0, 0.05, whole.shape), 0)
    changed = changed.astype(np.float32)
    for values in (whole, changed):
        values[rng.random(values.shape) < 0.1] = -9999
    # The first run reaches further north and west, the second further south and east.
    first, second = whole[:50, :70], changed[10:, 20:]
    one = made[0].flight("x.laz", codes_of()).raster("dtm.tif", first).done()
    corner = (400_000.0 + 20 * 0.5, 5_600_000.0 - 10 * 0.5)
    two = made[1].flight("x.laz", codes_of()).raster("dtm.tif", second, corner=corner).done()
    found = compare_runs(one, two, Tolerances(height_difference=0.03))
    a, b = (np.full(whole.shape, np.nan) for _ in range(2))
    a[:50, :70] = np.where(first == -9999, np.nan, first)
    b[10:, 20:] = np.where(second == -9999, np.nan, second)
    d = (b - a)[~np.isnan(a) & ~np.isnan(b)]
    told = found.as_dict()["rasters"][0]
    assert told["cells_in_both"] == len(d)
    assert told["cells_only_in_first"] == np.count_nonzero(~np.isnan(a) & np.isnan(b))
    assert told["cells_only_in_second"] == np.count_nonzero(np.isnan(a) & ~np.isnan(b))
    assert told["cells_differing"] == np.count_nonzero(d)
    assert told["cells_beyond"] == np.count_nonzero(np.abs(d) > 0.03) > 0
    assert told["mean"] == pytest.approx(d.mean())
    assert told["rmse"] == pytest.approx(np.sqrt((d**2).mean()))
    assert told["largest"] == np.abs(d).max()
    assert told["size_95"] == pytest.approx(np.quantile(np.abs(d), 0.95, method="inverted_cdf"), rel=1 / 4096)
    assert told["unit"] == "m"
    assert verdicts(found)["raster", "dtm.tif"] == "beyond"
    union = told["cells_in_both"] + told["cells_only_in_first"] + told["cells_only_in_second"]
    share = (told["cells_beyond"] + told["cells_only_in_first"] + told["cells_only_in_second"]) / union
    for given, code in ((share, EXIT_DONE), (share - 1 / union, EXIT_GATE_FAILED)):
        limits = Tolerances(height_difference=0.03, cells_beyond=given)
        assert compare_runs(one, two, limits).exit_code == code


def test_heights_in_feet_are_told_in_metres(made: tuple[Made, Made]) -> None:
    flat = np.full((5, 5), 100, np.float32)
    one = made[0].flight("x.laz", codes_of()).raster("dtm.tif", flat, unit="foot").done()
    two = made[1].flight("x.laz", codes_of()).raster("dtm.tif", flat + 1, unit="foot").done()
    # The international foot: 0.3048 m (ISO 80000-3).
    assert compare_runs(one, two).as_dict()["rasters"][0]["mean"] == pytest.approx(0.3048)
    assert compare_runs(one, two, Tolerances(height_difference=0.305)).exit_code == EXIT_DONE
    assert compare_runs(one, two, Tolerances(height_difference=0.304)).exit_code == EXIT_GATE_FAILED


def test_codes_have_no_differences_and_no_tolerance_but_a_share(made: tuple[Made, Made]) -> None:
    before = np.ones((10, 10), np.uint8)
    after = before.copy()
    after[0, :3] = 2
    one, two = (
        m.flight("x.laz", codes_of()).raster("dtm_source.tif", v, unit="", nodata=0).done()
        for m, v in zip(made, (before, after), strict=True)
    )
    told = compare_runs(one, two, Tolerances(value_difference=5)).as_dict()["rasters"][0]
    assert (told["cells_differing"], told["cells_beyond"]) == (3, 3)
    assert "mean" not in told
    assert compare_runs(one, two, Tolerances(cells_beyond=0.03)).exit_code == EXIT_DONE
    assert compare_runs(one, two, Tolerances(cells_beyond=0.02)).exit_code == EXIT_GATE_FAILED


def test_rasters_that_can_not_be_compared_say_why(made: tuple[Made, Made]) -> None:
    flat = np.ones((4, 4), np.float32)
    a, b = (m.flight("x.laz", codes_of()) for m in made)
    a.raster("cell.tif", flat).raster("off.tif", flat).raster("unit.tif", flat)
    b.raster("cell.tif", flat, cell=1.0).raster("off.tif", flat, corner=(400_000.2, 5_600_000.0))
    b.raster("unit.tif", flat, unit="degree").raster("more.tif", flat)
    one, two = a.done(), b.done()
    (two / "terrain" / "off.tif").write_bytes(b"no raster")
    texts = {one.name: (one.verdict, one.text) for one in compare_runs(one, two).findings}
    assert texts["terrain/cell.tif"] == (
        "beyond",
        "can't be compared: cells of 0.5 in the first run, of 1 in the second",
    )
    assert texts["terrain/unit.tif"][1] == (
        "can't be compared: its unit is 'metre' in the first run, 'degree' in the second"
    )
    assert texts["terrain/more.tif"] == ("beyond", "not made by the first run")
    assert "can't be read as a raster" in texts["terrain/off.tif"][1]
    b.raster("off.tif", flat, corner=(400_000.2, 5_600_000.0))
    texts = {one.name: (one.verdict, one.text) for one in compare_runs(one, two).findings}
    assert texts["terrain/off.tif"][1] == "can't be compared: their cells don't lie on each other"


def test_inputs_belong_together_by_checksum_then_by_name(made: tuple[Made, Made]) -> None:
    a, b = codes_of(1), codes_of(2)
    one = made[0].flight("old/a.laz", a, checksum="1").flight("old/b.laz", b, checksum="2")
    one = one.flight("old/c.laz", a, checksum="3").flight("old/gone.laz", a, checksum="4").done()
    # a and b have changed their names, c its content (the points stay); new.laz comes anew.
    two = made[1].flight("new/b.laz", a, checksum="1").flight("new/a.laz", b, checksum="2")
    two = two.flight("new/c.laz", a, checksum="33").flight("new/new.laz", a, checksum="5").done()
    found = compare_runs(one, two)
    told = {(f.about, f.name): (f.verdict, f.text) for f in found.findings}
    assert told["labels", "old/a.laz"][0] == told["labels", "old/b.laz"][0] == "same"
    assert told["input", "old/c.laz"] == (
        "told",
        "the runs agree only in its name: its file is another one",
    )
    assert told["labels", "old/c.laz"][0] == "same"
    assert told["input", "old/gone.laz"] == ("beyond", "an input of the first run only")
    assert told["input", "new/new.laz"] == ("beyond", "an input of the second run only")


def test_equal_files_of_one_run_are_told_apart_by_name(made: tuple[Made, Made]) -> None:
    a, b = codes_of(1), codes_of(2)
    one = made[0].flight("d/a.laz", a, checksum="1").flight("d/b.laz", b, checksum="1").done()
    two = made[1].flight("d/b.laz", b, checksum="1").flight("d/a.laz", a, checksum="1").done()
    assert set(verdicts(compare_runs(one, two)).values()) == {"same"}


def test_what_is_missing_or_of_other_points_is_one_line_each(made: tuple[Made, Made]) -> None:
    codes = codes_of()
    a = made[0].flight("few.laz", codes).flight("moved.laz", codes).flight("deleted.laz", codes)
    a.flight("broken.laz", None, status="failed", reason="cut short").flight("fails.laz", codes)
    b = made[1].flight("few.laz", codes[:-1]).flight("moved.laz", codes, shift=1).flight("deleted.laz", codes)
    b.flight("broken.laz", None, status="failed", reason="cut short")
    b.flight("fails.laz", None, status="failed", reason="holds no points at all")
    one, two = a.done(), b.done()
    (two / "clouds" / "3_deleted.laz").unlink()
    found = compare_runs(one, two)
    told = {f.name: (f.verdict, f.text) for f in found.findings}
    assert told["few.laz"] == (
        "beyond",
        "can't be compared: 5,000 points in the first run, 4,999 in the second",
    )
    assert told["moved.laz"] == ("beyond", "can't be compared: point 1 of the file has other coordinates")
    assert told["deleted.laz"][0] == "beyond"
    assert told["deleted.laz"][1].endswith("3_deleted.laz is missing, though the second run wrote it")
    assert told["broken.laz"] == ("same", "failed in both runs")
    assert told["fails.laz"] == ("beyond", "failed in the second run only: holds no points at all")
    assert all("\n" not in text for _, text in told.values())
    assert found.together.points == 0


def test_runs_without_a_common_input_or_a_record_are_refused(made: tuple[Made, Made], tmp_path: Path) -> None:
    one = made[0].flight("a.laz", codes_of(), checksum="1").done()
    two = made[1].flight("b.laz", codes_of(), checksum="2").done()
    with pytest.raises(UsageError, match="no input in common, neither by checksum nor by name"):
        compare_runs(one, two)
    with pytest.raises(UsageError, match=r"nowhere: is no folder"):
        compare_runs(one, tmp_path / "nowhere")
    (two / "run.json").unlink()
    with pytest.raises(UsageError, match=r"holds no finished run \(run.json\)"):
        compare_runs(one, two)
    (two / "batch.json").write_text("{}", encoding="utf-8")
    with pytest.raises(UsageError, match="holds a batch of runs"):
        compare_runs(one, two)


def test_paths_of_a_record_never_lead_out_of_its_folder(made: tuple[Made, Made], tmp_path: Path) -> None:
    secret = tmp_path / "secret.tif"
    one = made[0].flight("a.laz", codes_of()).raster("dtm.tif", np.ones((2, 2), np.float32)).done()
    secret.write_bytes((one / "terrain" / "dtm.tif").read_bytes())
    record = json.loads((one / "run.json").read_text(encoding="utf-8"))
    record["outputs"] += [
        {"path": path, "kind": "raster", "size_bytes": 1, "sha256": ""}
        for path in ("../secret.tif", str(secret), "terrain/../../secret.tif")
    ]
    (one / "run.json").write_text(json.dumps(record), encoding="utf-8")
    assert list(compare_runs(one, one).grids) == ["terrain/dtm.tif"]


def test_stages_parameters_versions_figures_and_gates_stand_side_by_side(made: tuple[Made, Made]) -> None:
    def stage(name: str, **values: float) -> StageRecord:
        return StageRecord(stage=name, parameters=values, reach_m=0, seconds=1, points=1, changed=0)

    gates = [Gate(figure="ground.share", at_least=0.4), Gate(figure="noise.share", at_most=0.1)]
    figures = (
        {"ground.share": 0.5, "noise.share": 0.2},
        {"ground.share": 0.3, "noise.share": 0.05, "new": 1.0},
    )
    stages = ([stage("low_points"), stage("terrain_grid", cell=0.5)], [stage("terrain_grid", cell=1.0)])
    roots = []
    for m, f, s, version in zip(made, figures, stages, "12", strict=True):
        m.more = {
            "figures": f,
            "stages": s,
            "gates": judge(gates, Judged(f)),
            "versions": {"cloudprep": version, "numpy": "2"},
            "pipeline": {"output": {"drop_noise": version == "1"}, "stages": []},
        }
        roots.append(m.flight("x.laz", codes_of(), figures={"points.density": float(version)}).done())
    found = compare_runs(*roots)
    told = {(f.about, f.name): (f.verdict, f.text) for f in found.findings}
    assert told["gate", "ground.share"] == ("beyond", "passed in the first run, failed in the second")
    assert told["gate", "noise.share"] == ("told", "failed in the first run, passed in the second")
    assert told["stage", "low_points"] == ("told", "only in the first run")
    assert told["parameter", "terrain_grid.cell"] == ("told", "0.5 in the first run, 1.0 in the second")
    assert told["version", "cloudprep"] == ("told", "1 in the first run, 2 in the second")
    assert ("version", "numpy") not in told
    assert told["pipeline", "output.drop_noise"] == ("told", "True in the first run, False in the second")
    values = found.as_dict()
    assert values["figures"]["ground.share"] == {
        "first": 0.5,
        "second": 0.3,
        "difference": pytest.approx(-0.2),
    }
    assert values["figures"]["new"] == {"first": None, "second": 1.0, "difference": None}
    density = values["flight_figures"][0]["figures"]["points.density"]
    assert density == {"first": 1.0, "second": 2.0, "difference": 1.0}


def test_gates_of_flights_are_matched_by_flight_and_those_of_others_left_out(made: tuple[Made, Made]) -> None:
    gates = [
        Gate(figure="a", at_least=1, per="flight"),
        Gate(figure="a", at_least=1, per="flight", severity="warn"),
    ]
    values = ({"old/x.laz": 1.0, "old/gone.laz": 0.0}, {"new/x.laz": 0.5, "new/more.laz": 1.0})
    roots = []
    for m, figures in zip(made, values, strict=True):
        flights = [Judged({"a": value}, path) for path, value in figures.items()]
        m.more = {"gates": judge(gates, Judged(), flights)}
        for path in figures:
            m.flight(path, codes_of())
        roots.append(m.done())
    told = [(f.verdict, f.name, f.text) for f in compare_runs(*roots).findings if f.about == "gate"]
    assert told == [
        ("beyond", "a of x.laz", "passed in the first run, failed in the second"),
        ("told", "a of x.laz", "passed in the first run, warned in the second"),
    ]


def test_layers_that_differ_are_only_told(made: tuple[Made, Made]) -> None:
    one = made[0].flight("x.laz", codes_of()).file("layers.gpkg", b"1").done()
    two = made[1].flight("x.laz", codes_of()).file("layers.gpkg", b"2").done()
    found = compare_runs(one, two)
    assert verdicts(found)["file", "layers.gpkg"] == "told"
    assert found.exit_code == EXIT_DONE


def test_the_files_are_read_by_others(made: tuple[Made, Made], tmp_path: Path) -> None:
    a, b = codes_of(), codes_of()
    b[0] = 9
    one, two = (m.flight("x|<&>.laz", c).flight("y.laz", a).done() for m, c in zip(made, (a, b), strict=True))
    found = compare_runs(one, two)
    written = write_comparison(found, tmp_path / "new" / "out")
    assert [p.name for p in written] == ["comparison.json", "comparison.xml"]
    assert json.loads(written[0].read_text(encoding="utf-8")) == json.loads(json.dumps(found.as_dict()))
    (suite,) = JUnitXml.fromfile(str(written[1]))
    assert [(c.classname, c.name, c.is_failure) for c in suite] == [
        ("labels", "x|<&>.laz", True),
        ("labels", "y.laz", False),
    ]
    assert (suite.tests, suite.failures) == (2, 1)
