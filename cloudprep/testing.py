"""The contract checks that every stage is held to; public, for stages of third parties too.

>>> from cloudprep.testing import contract_checks  # doctest: +SKIP
>>> for check in contract_checks(): check(MyStage)  # doctest: +SKIP
"""

from __future__ import annotations

import math
import multiprocessing
import pickle
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely
from pydantic import ValidationError
from scipy.spatial import cKDTree

from cloudprep.engine.passes import StagePass
from cloudprep.engine.progress import Silent
from cloudprep.engine.sitefacts import measure_site
from cloudprep.engine.store_memory import MemoryStore
from cloudprep.errors import MissingColumnError
from cloudprep.model.bounds import Bounds
from cloudprep.model.columns import COLUMNS, LABEL_COLUMNS, RUN_COLUMNS, WORKING_COLUMNS
from cloudprep.model.figures import FIGURES
from cloudprep.model.grid import Grid
from cloudprep.model.layer import Layer
from cloudprep.model.site import SiteFacts
from cloudprep.stages.base import Points, layer_parameters, whole_cloud_context

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping, Sequence

    from numpy.typing import NDArray

    from cloudprep.engine.stage_result import StageResult
    from cloudprep.model.layer import TinSurface
    from cloudprep.stages.base import Stage

Columns = dict[str, "NDArray[Any]"]

# What a number without a unit calls itself.
_PURE_NUMBERS = ("ratio", "share", "times", "deviations", "power", "slope", "factor", "base")

_ORIGIN = (412_000.0, 5_654_000.0)
FLIGHT = "flight"


@dataclass(frozen=True)
class StageRun:
    """What a stage made of a cloud.

    Parameters
    ----------
    labels : dict of str to ndarray of shape (n,)
        Label columns after the stage, in source order.
    result : StageResult
        Rasters, figures, warnings.
    working : dict of str to ndarray of shape (n,)
        Working columns that the stage made; ``{**cloud, **run.labels, **run.working}`` is what the next stage
        of a pipeline would see.
    """

    labels: Columns
    result: StageResult
    working: Columns = field(default_factory=dict)


def example_cloud(count: int = 3000, seed: int = 1) -> Columns:
    """Return a small made-up cloud with ground, plants, a roof, a wire and noise, in every column.

    The working columns hold what ten neighbours give, as a stage of an earlier place in a pipeline would.

    Parameters
    ----------
    count : int
        Number of ground points; the rest comes on top.
    seed : int
        Seed of the generator.

    Returns
    -------
    dict of str to ndarray of shape (n,)
        Columns of the table; x and y lie within 60 m, in scan-like order.
    """
    rng = np.random.default_rng(seed)
    x, y = rng.uniform(0, 60, (2, count))
    z = 100 + 0.1 * x + np.sin(y / 9) + rng.normal(0, 0.03, count)
    top = (x > 20) & (x < 32) & (y > 20) & (y < 30)
    z[top] = 109 + rng.normal(0, 0.03, int(top.sum()))
    plants = rng.uniform([5, 40, 0], [25, 55, 4], (count // 5, 3))
    plants[:, 2] += 100 + 0.1 * plants[:, 0] + np.sin(plants[:, 1] / 9)
    wire = np.c_[np.linspace(2, 58, 120), np.full(120, 10.0), np.full(120, 116.0)]
    birds = rng.uniform([0, 0, 130], [60, 60, 140], (6, 3))
    pits = rng.uniform([0, 0, 90], [60, 60, 92], (5, 3))
    xyz = np.round(np.concatenate([np.c_[x, y, z], plants, wire, birds, pits]), 3)
    xyz = xyz[np.argsort(xyz[:, 1] // 1.0, kind="stable")]
    n = len(xyz)
    # Three flights over the same ground.
    flight = (np.arange(n) * 7 % 3).astype(np.uint16)
    returns = rng.integers(1, 3, n).astype(np.uint8)
    carried: Columns = {
        "x": xyz[:, 0].copy(),
        "y": xyz[:, 1].copy(),
        "z": xyz[:, 2].copy(),
        "intensity": rng.integers(0, 65535, n, dtype=np.uint16),
        "return_number": np.minimum(rng.integers(1, 3, n), returns).astype(np.uint8),
        "number_of_returns": returns,
        "classification": np.where(rng.random(n) < 0.3, 2, 1).astype(np.uint8),
        "withheld": rng.random(n) < 0.01,
        "overlap": rng.random(n) < 0.1,
        "point_source_id": rng.integers(1, 3, n, dtype=np.uint16),
        "gps_time": np.sort(rng.uniform(0, 60, n)),
        "red": rng.integers(0, 65535, n, dtype=np.uint16),
        "green": rng.integers(0, 65535, n, dtype=np.uint16),
        "blue": rng.integers(0, 65535, n, dtype=np.uint16),
        "nir": rng.integers(0, 65535, n, dtype=np.uint16),
        "flight": flight,
        "height_above_ground": (xyz[:, 2] - 100 - 0.1 * xyz[:, 0]).astype(np.float32),
        "ground_confidence": rng.integers(0, 101, n, dtype=np.uint8),
    }
    return {**carried, **_working_columns(xyz)}


def example_rasters(site: SiteFacts, names: Sequence[str], cell: float = 1.0) -> dict[str, Grid]:
    """Return small made-up rasters of a site: a terrain with a hole, or what lies above it.

    Parameters
    ----------
    site : SiteFacts
        Where they lie.
    names : sequence of str
        Which; a name that ends in ``source`` gets codes, one that starts with ``dsm`` a surface above the
        terrain, all others the terrain.
    cell : float
        Cell size, m.

    Returns
    -------
    dict of str to Grid
        Their values can't be written to.
    """
    window = site.lattice(cell).window(site.bounds)
    x = window.left + cell * (np.arange(window.columns) + 0.5)
    y = window.bottom + cell * (np.arange(window.rows) + 0.5)
    terrain = 100 + 0.1 * x[None, :] + np.sin(y / 9)[:, None]
    hole = (np.abs(x - 45)[None, :] < 3) & (np.abs(y - 15)[:, None] < 4)
    found = {}
    for name in names:
        if name.endswith("source"):
            values: NDArray[Any] = np.where(
                hole, 0, 1 + (window.row + np.arange(window.rows)[:, None]) % 2
            ).astype(np.uint8)
            grid = Grid(
                name, values, window, "where heights come from", "", {1: "measured", 2: "interpolated"}
            )
        else:
            roof = 9 * ((x > 20) & (x < 32))[None, :] * ((y > 20) & (y < 30))[:, None]
            above = roof if name.startswith("dsm") else 0.0
            grid = Grid(name, np.where(hole, np.nan, terrain + above), window, "height")
        grid.values.flags.writeable = False
        found[name] = grid
    return found


def example_layers(stage: Stage) -> dict[str, Layer]:
    """Return a small made-up layer for every parameter of a stage that names a vector file.

    Polygons, lines or points within 60 m, whichever the parameter asks for first: what a person gave for the
    site of :func:`example_cloud`.
    """
    made = {
        "polygon": [
            shapely.Polygon(
                shapely.box(38, 8, 52, 22).exterior.coords, [shapely.box(43, 13, 46, 16).exterior.coords]
            ),
            shapely.box(-5, 44, 65, 49),
            shapely.box(500, 500, 510, 510),
        ],
        "line": [shapely.LineString([(5, 5), (30, 33), (55, 8)])],
        "point": [shapely.Point(10, 10), shapely.Point(48, 31)],
    }
    found = {}
    for name, kinds in layer_parameters(stage.Params).items():
        kind = kinds[0] if kinds else "polygon"
        geometries = np.array(made[kind], dtype=object)
        found[name] = Layer(name, kind, geometries, {"number": np.arange(len(geometries))}, "made up")
    return found


def _working_columns(xyz: NDArray[np.float64], neighbours: int = 10) -> Columns:
    """Return the working columns of a small cloud, from its nearest neighbours and their moments."""
    distance, near = map(np.asarray, cKDTree(xyz).query(xyz, neighbours + 1))
    apart = xyz[near] - xyz[near].mean(axis=1, keepdims=True)
    moments, axes = np.linalg.eigh(np.einsum("nki,nkj->nij", apart, apart) / (neighbours + 1))
    normal = axes[:, :, 0] * np.where(axes[:, 2, 0] < 0, -1.0, 1.0)[:, None]
    spread = np.sqrt(np.maximum(moments, 0.0))
    found = {
        "neighbour_distance": distance[:, 1:].mean(axis=1),
        "roughness": spread[:, 0],
        "extent": spread[:, 1],
        **{f"normal_{axis}": normal[:, i] for i, axis in enumerate("xyz")},
    }
    return {name: values.astype(COLUMNS[name].dtype) for name, values in found.items()}


def facts_of(columns: Columns, origin: tuple[float, float] = _ORIGIN) -> SiteFacts:
    """Return the site facts of a cloud, also of one without points."""
    if len(columns["x"]) == 0:
        return SiteFacts(0, Bounds(0.0, 0.0, 1.0, 1.0), 0.0, 0.0, 1.0, False, origin)
    carried = frozenset(n for n in columns if n not in (*WORKING_COLUMNS, *RUN_COLUMNS))
    return measure_site(MemoryStore(columns), origin=origin, resolution=0.001, columns=carried)


def run_stage(
    stage: Stage,
    columns: Columns,
    *,
    block_edge: float | None = None,
    workers: int = 1,
    origin: tuple[float, float] = _ORIGIN,
    rasters: Mapping[str, Grid] | None = None,
    layers: Mapping[str, Layer] | None = None,
) -> StageRun:
    """Run one stage on a cloud in memory, the way a run does.

    Parameters
    ----------
    stage : Stage
        Not yet resolved.
    columns : dict of str to ndarray of shape (n,)
        The cloud, local metres; not changed.
    block_edge : float, optional
        Edge of the blocks, m; by default one block.
    workers : int
        Threads.
    origin : tuple of float
        Global coordinates of the local zero, m.
    rasters : mapping of str to Grid, optional
        What earlier stages made; by default :func:`example_rasters`.
    layers : mapping of str to Layer, optional
        What people gave, by parameter; by default :func:`example_layers`.

    Returns
    -------
    StageRun
        New labels and what else came of it.
    """
    site = facts_of(columns, origin)
    store = MemoryStore(dict(columns))
    store.cut(site, block_edge)
    resolved = stage.resolved(site)
    resolved.rasters = example_rasters(site, resolved.sources()) if rasters is None else rasters
    resolved.layers = example_layers(resolved) if layers is None else layers
    work = StagePass(resolved, store, site, workers=workers, progress=Silent())
    result = work.carry_out()
    labels = {n: store.column(n) for n in LABEL_COLUMNS if n in store.columns}
    working = {n: store.column(n) for n in stage.provides if n in WORKING_COLUMNS}
    return StageRun(labels, result, working)


def _same(a: StageRun, b: StageRun, what: str) -> None:
    for name, values in a.labels.items():
        differing = int(np.count_nonzero(values != b.labels[name]))
        assert differing == 0, f"{differing} of {len(values)} '{name}' differ {what}"
    for name, values in a.working.items():
        # The bits: NaN equals itself here, and 0.0 isn't -0.0.
        differing = int(np.count_nonzero(_bits(values) != _bits(b.working[name])))
        assert differing == 0, f"{differing} of {len(values)} '{name}' differ {what}"
    assert [_features(layer) for layer in a.result.layers] == [
        _features(layer) for layer in b.result.layers
    ], f"layers differ {what}"
    assert [_triangles(s) for s in a.result.surfaces] == [_triangles(s) for s in b.result.surfaces], (
        f"surfaces differ {what}"
    )
    assert [g.name for g in a.result.grids] == [g.name for g in b.result.grids], what
    for ours, theirs in zip(a.result.grids, b.result.grids, strict=True):
        assert np.array_equal(ours.values, theirs.values, equal_nan=ours.values.dtype.kind == "f"), (
            f"grid {ours.name} differs {what}"
        )
    assert a.result.figures == b.result.figures, f"figures differ {what}"
    assert a.result.flight_figures == b.result.flight_figures, f"figures of flights differ {what}"


def _features(layer: Layer) -> tuple[Any, ...]:
    values = {name: np.asarray(column).tolist() for name, column in layer.attributes.items()}
    return layer.name, shapely.to_wkb(layer.geometries, hex=True).tolist(), str(values)


def _triangles(surface: TinSurface) -> tuple[str, bytes, bytes]:
    return surface.name, surface.vertices.tobytes(), np.ascontiguousarray(surface.faces, np.int64).tobytes()


def _bits(values: NDArray[Any]) -> NDArray[np.uint32]:
    return np.ascontiguousarray(values).view(np.uint32)


# -- the checks -----------------------------------------------------------------------------------------


def check_declares_itself(stage_class: type[Stage]) -> None:
    """The class has a name, a kind, references, known columns, and words for people."""
    assert stage_class.name == stage_class.name.strip().lower() and stage_class.name
    assert stage_class.kind
    assert stage_class.references, "no paper or standard is named"
    assert (stage_class.__doc__ or "").strip(), "the class has no docstring"
    for name in (*stage_class.needs, *stage_class.uses, *stage_class.provides):
        assert name in COLUMNS, f"'{name}' is not a column of the table"
    assert {"x", "y", "z"} <= set(stage_class.needs) or _only_rasters(stage_class)
    assert set(stage_class.provides) <= {*LABEL_COLUMNS, *WORKING_COLUMNS}
    made = (*stage_class.grids, *stage_class.makes_layers, *stage_class.makes_surfaces)
    assert stage_class.provides or made or _only_tells(stage_class), "the stage changes and tells nothing"
    for name, info in stage_class.Params.model_fields.items():
        assert info.description, f"parameter '{name}' has no meaning in words"
        extra = info.json_schema_extra
        assert isinstance(extra, dict), f"parameter '{name}' is not declared with parameter()"
        if "float" in str(info.annotation):
            words = f"{name} {info.description}".lower()
            assert extra["unit"] or any(w in words for w in _PURE_NUMBERS), f"'{name}' has no unit"
        if info.default is None:
            assert extra["derived"] or "layer_kinds" in extra, (
                f"parameter '{name}' is derived, but not said how"
            )


def _only_tells(stage_class: type[Stage]) -> bool:
    """Tell whether a stage gives nothing but figures."""
    made = (*stage_class.grids, *stage_class.makes_layers, *stage_class.makes_surfaces)
    return bool(stage_class.reports) and not (stage_class.provides or made)


def _only_rasters(stage_class: type[Stage]) -> bool:
    """Tell whether a stage never sees points."""
    sees = stage_class.summarises or stage_class.draws or stage_class.provides
    return bool(stage_class.reads) and not sees


def check_defaults(stage_class: type[Stage]) -> None:
    """It builds from its defaults, its parameters survive a round trip and can't be changed."""
    stage = stage_class()
    text = stage.params.model_dump_json()
    assert stage_class.Params.model_validate_json(text, strict=False) == stage.params
    first = next(iter(stage_class.Params.model_fields), None)
    if first is not None:
        try:
            setattr(stage.params, first, None)
        except ValidationError:
            pass
        else:
            raise AssertionError("parameters can be changed in place")


def invalid_values(stage_class: type[Stage]) -> Iterator[tuple[str, Any]]:
    """Give each parameter with values that it must refuse, from its own declared bounds."""
    for name, prop in stage_class.Params.model_json_schema()["properties"].items():
        for option in prop.get("anyOf", [prop]):
            kind = option.get("type")
            if kind in {"number", "integer"}:
                yield from ((name, bad) for bad in (True, "1", math.nan, math.inf))
                if "exclusiveMinimum" in option:
                    yield name, option["exclusiveMinimum"]
                if "minimum" in option:
                    yield name, option["minimum"] - 1
                if "exclusiveMaximum" in option:
                    yield name, option["exclusiveMaximum"]
                if "maximum" in option:
                    yield name, option["maximum"] + 1
            elif kind == "boolean":
                yield from ((name, bad) for bad in (1, "yes"))
            elif "enum" in option:
                yield name, "no such choice"


def check_refuses_bad_parameters(stage_class: type[Stage]) -> None:
    """Every value outside a parameter's declared bounds is refused by name, as is an unknown parameter."""
    for name, bad in [*invalid_values(stage_class), ("no_such_parameter", 1)]:
        try:
            stage_class.Params(**{name: bad})
        except ValidationError as error:
            assert any(name in e["loc"] for e in error.errors()), f"{name}={bad!r}: the error names another"
        else:
            raise AssertionError(f"{name}={bad!r} is accepted")


def check_derived_values(stage_class: type[Stage]) -> None:
    """After ``resolved`` nothing is None, each derived value has a reason, and the reach is a length."""
    site = facts_of(example_cloud())
    stage = stage_class().resolved(site)
    files = layer_parameters(stage_class.Params)
    for name, value in stage.params.model_dump().items():
        if name in files:  # no file was named, and none can be derived
            continue
        assert value is not None, f"'{name}' is still not derived"
        if getattr(stage_class().params, name) is None:
            assert stage.reasons.get(name), f"no reason is given for '{name}'"
    assert math.isfinite(stage.reach()) and stage.reach() >= 0
    stage_class.Params.model_validate(stage.params.model_dump(), strict=False)


def check_leaves_input_alone(stage_class: type[Stage]) -> None:
    """The columns given are the same afterwards, and only declared labels change, with the right type."""
    columns = example_cloud()
    before = {n: v.copy() for n, v in columns.items()}
    run = run_stage(stage_class(), columns)
    for name, values in before.items():
        assert np.array_equal(columns[name], values), f"'{name}' was changed in place"
        if name not in stage_class.provides and name in run.labels:
            assert np.array_equal(run.labels[name], values), f"'{name}' changed undeclared"
    for name in stage_class.provides:
        assert {**run.labels, **run.working}[name].dtype == COLUMNS[name].dtype
    assert {g.name for g in run.result.grids} <= set(stage_class.grids)
    assert {layer.name for layer in run.result.layers} <= set(stage_class.makes_layers)
    assert {s.name for s in run.result.surfaces} <= set(stage_class.makes_surfaces)
    _check_figures(stage_class, run.result)


def _check_figures(stage_class: type[Stage], result: StageResult) -> None:
    """Figures are finite, and where the stage declares them, declared for what they are given of."""
    declared = stage_class.reports
    reported = {figure.name: figure for figure in declared or ()}
    assert len(reported) == len(declared or ()), f"{stage_class.name} declares a figure twice"
    known = reported | FIGURES
    told = {"run": result.figures, **{f"flight {k}": f for k, f in result.flight_figures.items()}}
    for whose, figures in told.items():
        for name, value in figures.items():
            assert math.isfinite(value), f"figure '{name}' of the {whose} is {value}"
            if declared is None:
                continue
            assert name in known, f"figure '{name}' isn't declared"
            assert known[name].per_run if whose == "run" else known[name].per_flight, (
                f"'{name}' isn't said to be of a {whose}"
            )
    if result.flight_figures:
        assert FLIGHT in {*stage_class.needs, *stage_class.uses}, (
            "flights can't be told apart without 'flight'"
        )
        assert declared is not None, "figures of flights must be declared"


def check_repeats(stage_class: type[Stage]) -> None:
    """Two runs give the same, to the bit."""
    columns = example_cloud()
    _same(run_stage(stage_class(), columns), run_stage(stage_class(), columns), "between two runs")


def check_order(stage_class: type[Stage]) -> None:
    """The labels follow the points when these are shuffled."""
    columns = example_cloud()
    order = np.random.default_rng(5).permutation(len(columns["x"]))
    straight = run_stage(stage_class(), columns)
    shuffled = run_stage(stage_class(), {n: v[order] for n, v in columns.items()})
    moved = replace(
        straight,
        labels={n: v[order] for n, v in straight.labels.items()},
        working={n: v[order] for n, v in straight.working.items()},
    )
    _same(moved, shuffled, "when the points are shuffled")


def check_flight_numbers(stage_class: type[Stage]) -> None:
    """Figures of flights follow the flights when these come in another order; all else stays."""
    if FLIGHT not in {*stage_class.needs, *stage_class.uses}:
        return
    columns = example_cloud()
    renumbered = np.array([2, 0, 1], np.uint16)
    straight = run_stage(stage_class(), columns)
    other = run_stage(stage_class(), {**columns, FLIGHT: renumbered[columns[FLIGHT]]})
    figures = {int(renumbered[k]): found for k, found in straight.result.flight_figures.items()}
    moved = replace(straight, result=replace(straight.result, flight_figures=figures))
    _same(moved, other, "when flights come in another order")


def check_kilometres(stage_class: type[Stage]) -> None:
    """The labels stay when the cloud moves by whole kilometres."""
    columns = example_cloud()
    here = run_stage(stage_class(), columns)
    there = run_stage(stage_class(), columns, origin=(_ORIGIN[0] + 7000, _ORIGIN[1] - 3000))
    _same(here, there, "when the cloud moves by whole kilometres")


def check_blocks(stage_class: type[Stage]) -> None:
    """Blocks of any size and any number of workers give the same, to the bit."""
    columns = example_cloud()
    whole = run_stage(stage_class(), columns)
    for edge, workers in ((25.0, 1), (17.3, 2), (7.0, 3)):
        blocks = run_stage(stage_class(), columns, block_edge=edge, workers=workers)
        _same(whole, blocks, f"in blocks of {edge} m with {workers} workers")


def _run_for_process(stage: Stage, columns: Columns) -> StageRun:
    return run_stage(stage, columns, block_edge=25.0)


def check_processes(stage_class: type[Stage]) -> None:
    """The stage, its parameters and its results pass through pickle, and another process gives the same."""
    stage = stage_class()
    copy = pickle.loads(pickle.dumps(stage))  # noqa: S301 - our own bytes
    assert copy.params == stage.params
    columns = example_cloud(800)
    with ProcessPoolExecutor(1, mp_context=multiprocessing.get_context("spawn")) as pool:
        elsewhere = pool.submit(_run_for_process, stage, columns).result()
    _same(run_stage(stage, columns), elsewhere, "in another process")


def degenerate_clouds() -> Iterator[tuple[str, Columns]]:
    """Give clouds that break careless code: none, one, two points, all in one place, all on one line."""
    base = example_cloud()
    for name, rows in (("no points", 0), ("one point", 1), ("two points", 2), ("three points", 3)):
        yield name, {n: v[:rows] for n, v in base.items()}
    fifty = {n: v[:50].copy() for n, v in base.items()}
    yield "coincident points", {**fifty, **{a: np.full(50, 12.5) for a in "xyz"}}
    line = np.linspace(0, 40, 50)
    yield "collinear points", {**fifty, "x": line, "y": 2 * line, "z": 100 + line}
    yield "a vertical line", {**fifty, "x": np.full(50, 3.0), "y": np.full(50, 4.0), "z": line}


def check_degenerate(stage_class: type[Stage]) -> None:
    """No, one, two, coincident and collinear points are handled, as a whole and in blocks."""
    for name, columns in degenerate_clouds():
        if len(columns["x"]) == 0:
            _run_without_points(stage_class, columns)
            continue
        whole = run_stage(stage_class(), columns)
        _same(whole, run_stage(stage_class(), columns, block_edge=9.0), f"in blocks, with {name}")


def _run_without_points(stage_class: type[Stage], columns: Columns) -> None:
    site = facts_of(columns)
    stage = stage_class().resolved(site)
    stage.rasters = example_rasters(site, stage.sources())
    stage.layers = example_layers(stage)
    points = Points(columns)
    context = whole_cloud_context(site, 0)
    solution = None
    if stage.sources() and not stage.summarises and not stage.draws:
        solution = stage.from_rasters(site)
    if stage.summarises:
        summary = stage.summarise(points, context)
        points = points.replaced(summary.scratch)
        solution = stage.solve(stage.merge([summary.part]), site)
    if stage.provides:
        delta = stage.run(points, context, solution)
        assert set(delta.columns) >= set(stage.provides) & set(WORKING_COLUMNS)
        assert all(len(v) == 0 for v in delta.columns.values())
    if stage.draws:
        drawing = stage.draw(points, context, solution)
        canvases = stage.canvas(site)
        grids = {c.name: values for c, values in zip(canvases, drawing.arrays, strict=True)}
        finished = stage.finish(grids, [drawing.share], site)
        assert [g.name for g in finished.grids] == [c.name for c in canvases]


def check_missing_column(stage_class: type[Stage]) -> None:
    """A needed column that is missing is named."""
    columns = example_cloud(100)
    site = facts_of(columns)
    stage = stage_class().resolved(site)
    stage.rasters = example_rasters(site, stage.sources())
    stage.layers = example_layers(stage)
    solution = None
    if stage.sources() and not stage.summarises and not stage.draws:
        solution = stage.from_rasters(site)
    for name in stage_class.needs:
        points = Points({n: v for n, v in columns.items() if n != name})
        context = whole_cloud_context(site, len(points))
        try:
            if stage.summarises:
                stage.summarise(points, context)
            elif stage.provides:
                stage.run(points, context, solution)
            else:
                stage.draw(points, context, solution)
        except MissingColumnError as error:
            assert f"'{name}'" in str(error)
        else:
            # A column may be needed by the second sweep only, and what only counts needs no places.
            counts = name in "xyz" and _only_tells(stage_class)
            second = stage.summarises and stage.provides
            assert counts or second, f"'{name}' is declared as needed, but never read"


def check_without_optional_columns(stage_class: type[Stage]) -> None:
    """Nothing breaks on a cloud that carries just what is needed."""
    columns = {
        n: v for n, v in example_cloud().items() if n in {*stage_class.needs, *"xyz"} or n in LABEL_COLUMNS
    }
    run_stage(stage_class(), columns)


def contract_checks() -> list[Callable[[type[Stage]], None]]:
    """Return all contract checks; each takes a stage class and raises AssertionError."""
    return [
        check_declares_itself,
        check_defaults,
        check_refuses_bad_parameters,
        check_derived_values,
        check_leaves_input_alone,
        check_repeats,
        check_order,
        check_flight_numbers,
        check_kilometres,
        check_blocks,
        check_processes,
        check_degenerate,
        check_missing_column,
        check_without_optional_columns,
    ]


def describe_labels(labels: Mapping[str, NDArray[Any]]) -> dict[str, dict[int, int]]:
    """Return how often each value of each label column occurs, for messages of tests."""
    return {
        name: {int(v): int(n) for v, n in zip(*np.unique(values, return_counts=True), strict=True)}
        for name, values in labels.items()
    }
