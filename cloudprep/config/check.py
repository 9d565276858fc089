"""Checks what a pipeline file declares, part by part, so that every problem is found at once."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, TypeVar

from pydantic import BaseModel, ValidationError

from cloudprep.config.gate_figures import figure_problem
from cloudprep.config.handing_on import handing_on_problems
from cloudprep.config.sections import Assume, Boundary, Gate, GridOptions, OutputOptions
from cloudprep.config.words import problems_in, shown_value
from cloudprep.config.yaml_text import Problem, ValuePath, YamlText, shortened
from cloudprep.errors import ConfigError, UsageError
from cloudprep.stages.registry import BUILT_IN, did_you_mean, stage_class

if TYPE_CHECKING:
    from cloudprep.stages.base import Stage, StageParams

__all__ = ["CheckedParts", "checked_parts"]

Model = TypeVar("Model", bound=BaseModel)

_TOP_KEYS = ["cloudprep", "stages", "output", "boundary", "grid", "assume", "gates"]
_FORMAT_VERSION = 1
# More than anyone reads; a file with more is no pipeline file.
_MOST_PROBLEMS = 200
_GROUND_KIND = "ground"
_NOISE_KIND = "noise"
_NOISE_KIND = "noise"
_SURFACE_KIND = "surface"


@dataclass
class CheckedParts:
    """The parts of a pipeline, checked."""

    stages: list[tuple[str, StageParams]] = field(default_factory=list)
    output: OutputOptions = field(default_factory=OutputOptions)
    boundary: Boundary | None = None
    grid: GridOptions = field(default_factory=GridOptions)
    assume: Assume = field(default_factory=Assume)
    gates: list[Gate] = field(default_factory=list)
    warnings: list[str] = field(default_factory=list)


def checked_parts(found: YamlText, label: str, *, with_lines: bool) -> CheckedParts:
    """Check what a file holds.

    Parameters
    ----------
    found : YamlText
        Values with their lines and the problems met while reading.
    label : str
        The file, as messages name it.
    with_lines : bool
        Whether messages give line numbers.

    Raises
    ------
    ConfigError
        With every problem, sorted by line.
    """
    check = _Check(found)
    check.everything()

    def shown(problem: Problem) -> str:
        owner = _owner(problem.path, found.value)
        start = f"{label}:{problem.line}" if with_lines else label
        return _printable(f"{start}: {f'{owner}: ' if owner else ''}{problem.text}")

    if check.problems:
        told = [shown(p) for p in sorted(check.problems, key=lambda p: p.line)]
        more = len(told) - _MOST_PROBLEMS
        raise ConfigError(
            told if more <= 0 else [*told[:_MOST_PROBLEMS], f"{label}: and {more} more problems"]
        )
    check.parts.warnings = [shown(p) for p in check.warnings]
    return check.parts


def _printable(text: str) -> str:
    """Return a text as one line that does nothing to a terminal, whatever a key or a value holds."""
    return "".join(c if c.isprintable() else c.encode("unicode_escape").decode("ascii") for c in text)


def _owner(path: ValuePath, values: object) -> str:
    """Return the part of the file that a path lies in, as people would name it."""
    if not path or not isinstance(values, dict):
        return ""
    section = str(path[0])
    if section in ("output", "boundary", "grid", "assume"):
        return section
    if section not in ("stages", "gates") or len(path) == 1:
        return ""
    entries = values.get(section)
    entry = entries[int(path[1])] if isinstance(entries, list) else None
    name = entry.get("stage" if section == "stages" else "figure") if isinstance(entry, dict) else None
    return f"{section}[{path[1]}]{f' {shortened(name)}' if isinstance(name, str) and name else ''}"


class _Check:
    def __init__(self, found: YamlText) -> None:
        self.found = found
        self.parts = CheckedParts()
        self.problems: list[Problem] = list(found.problems)
        self.warnings: list[Problem] = []
        self.stages: list[tuple[int, type[Stage]]] = []
        self.built: dict[int, Stage] = {}

    def problem(self, path: ValuePath, text: str) -> None:
        if path not in self.found.refused:  # it was reported while reading, and None stands in its place
            self.problems.append(Problem(path, self.found.line_of(path), text))

    def warn(self, path: ValuePath, text: str) -> None:
        self.warnings.append(Problem(path, self.found.line_of(path), text))

    def everything(self) -> None:
        values = self.found.value
        if not isinstance(values, dict):
            if not self.problems:
                self.problem((), "a pipeline is a mapping that starts with 'cloudprep: 1'")
            return
        for key in values:
            if key not in _TOP_KEYS:
                self.problem(
                    (key,), f"there is no key '{shortened(str(key))}'{did_you_mean(str(key), _TOP_KEYS)}"
                )
        self.version(values)
        self.stage_list(values)
        self.parts.output = self.section(("output",), values.get("output"), OutputOptions) or OutputOptions()
        self.parts.boundary = self.section(("boundary",), values.get("boundary"), Boundary)
        self.parts.grid = self.section(("grid",), values.get("grid"), GridOptions) or GridOptions()
        self.parts.assume = self.section(("assume",), values.get("assume"), Assume) or Assume()
        given_gates: list[tuple[int, Gate]] = []
        for i, entry in self.entries(values, "gates", "figure: ground.share"):
            gate = self.section(("gates", i), entry, Gate)
            if gate is not None:
                self.parts.gates.append(gate)
                given_gates.append((i, gate))
        self.order()
        self.figures(given_gates)

    def version(self, values: dict[str, Any]) -> None:
        if "cloudprep" not in values:
            self.problem((), "'cloudprep: 1' is missing; it names the version of the file format")
            return
        given = values["cloudprep"]
        if isinstance(given, bool) or given != _FORMAT_VERSION:
            wanted = "must be 1, the only version of the file format so far"
            self.problem(("cloudprep",), f"'cloudprep' {wanted}, got {shown_value(given)}")

    def entries(self, values: dict[str, Any], key: str, example: str) -> list[tuple[int, dict[str, Any]]]:
        """Return the mappings of a list of mappings; everything else is a problem."""
        given = values.get(key)
        if given is None:
            return []
        if not isinstance(given, list):
            self.problem((key,), f"'{key}' must be a list of entries like '- {example}'")
            return []
        good: list[tuple[int, dict[str, Any]]] = []
        for i, entry in enumerate(given):
            if isinstance(entry, dict):
                good.append((i, entry))
            else:
                hint = "- stage: " + entry if key == "stages" and isinstance(entry, str) else "- " + example
                self.problem((key, i), f"must be a mapping; write '{hint}'")
        return good

    def stage_list(self, values: dict[str, Any]) -> None:
        if values.get("stages") in (None, []):
            self.problem(("stages",), "the pipeline has no stages")
            return
        for i, entry in self.entries(values, "stages", "stage: terrain_grid"):
            path: ValuePath = ("stages", i)
            if "stage" not in entry:
                self.problem(path, "'stage' is missing: it names the stage")
                continue
            name = entry["stage"]
            if not isinstance(name, str):
                self.problem(
                    (*path, "stage"), f"'stage' must be the name of a stage, got {shown_value(name)}"
                )
                continue
            try:
                found = stage_class(shortened(name))
            except UsageError as error:
                self.problem((*path, "stage"), str(error))
                continue
            self.stages.append((i, found))
            given = {k: v for k, v in entry.items() if k != "stage"}
            params = self.section(path, given, found.Params, "parameter")
            if params is not None:
                self.parts.stages.append((name, params))
                self.built[i] = found(params)

    def section(self, path: ValuePath, given: Any, model: type[Model], thing: str = "key") -> Model | None:
        if given is None:
            return None
        if not isinstance(given, dict):
            self.problem(path, f"must be a mapping, got {shown_value(given)}")
            return None
        try:
            return model.model_validate(given)
        except ValidationError as error:
            for inner, text in problems_in(error, model, thing):
                self.problem((*path, *inner), text)
        return None

    def order(self) -> None:
        """Look at the stages together: what is made twice is wrong, a strange order is worth a warning."""
        made: dict[str, str] = {}
        told = False
        # Without any ground stage it is meant: saying it once is enough; to a pipeline without noise stages
        # too, which is for clouds that are classified already, nothing is said.
        grounds = any(stage.kind == _GROUND_KIND for _, stage in self.stages)
        ground_seen = not grounds and not any(stage.kind == _NOISE_KIND for _, stage in self.stages)
        self.rasters()
        for i, stage in self.stages:
            path: ValuePath = ("stages", i)
            ground_seen = ground_seen or stage.kind == _GROUND_KIND
            if stage.kind == _SURFACE_KIND and not ground_seen and (grounds or not told):
                told = True
                self.warn(
                    path, "comes before any ground stage: it uses the ground classes that the flights carry"
                )
            names = self.built[i].products() if i in self.built else ()
            read = self.built[i].sources() if i in self.built else ()
            for name in (*names, *stage.makes_layers, *stage.makes_surfaces):
                if name in made and name not in read:
                    what = "raster" if name in names else "layer"
                    self.problem(path, f"makes the {what} '{name}', which {made[name]} makes already")
                made.setdefault(name, f"stages[{i}]")
        for i, text, wrong in handing_on_problems(self.stages, self.number_of_stages()):
            (self.problem if wrong else self.warn)(("stages", i), text)

    def figures(self, gates: list[tuple[int, Gate]]) -> None:
        """Look for gates on figures that no stage of the pipeline gives, where that is known."""
        if len(self.stages) < self.number_of_stages():
            return  # a stage that couldn't be found was reported: it may be the one that gives them
        for i, gate in gates:
            text = figure_problem(gate, [stage for _, stage in self.stages])
            if text:
                self.problem(("gates", i, "figure"), text)

    def rasters(self) -> None:
        """Look for rasters that a stage reads, but that no stage before it makes."""
        known = {i for i, _ in self.stages if i in self.built}
        there: set[str] = set()
        for i, _ in self.stages:
            if i not in self.built:
                continue
            missing = [name for name in self.built[i].sources() if name not in there]
            # A stage that couldn't be found was reported: it may be the one that makes them.
            if missing and known.issuperset(range(i)):
                names = ", ".join(f"'{name}'" for name in missing)
                hint = next(
                    (
                        f": put '- stage: {name}' before it"
                        for name in BUILT_IN
                        if set(missing) <= set(stage_class(name).grids) - set(stage_class(name).reads)
                    ),
                    "",
                )
                plural = "s" if len(missing) > 1 else ""
                self.problem(
                    ("stages", i), f"reads the raster{plural} {names}, which no stage before it makes{hint}"
                )
            there.update(self.built[i].products())

    def number_of_stages(self) -> int:
        given = self.found.value.get("stages") if isinstance(self.found.value, dict) else None
        return len(given) if isinstance(given, list) else 0
