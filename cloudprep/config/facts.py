"""What there is to know about a stage, for listings, the reference page, the plan and the JSON Schema."""

from __future__ import annotations

import inspect
import re
import warnings
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any

from cloudprep.config.measured import measured_text
from cloudprep.config.words import bounds_text, field_schema, wanted_text
from cloudprep.errors import UsageError
from cloudprep.model.columns import WORKING_COLUMNS
from cloudprep.stages.registry import stage_class, stage_names

if TYPE_CHECKING:
    from collections.abc import Iterable

    from cloudprep.model.figures import Figure
    from cloudprep.stages.base import Stage

__all__ = ["ParameterFacts", "StageFacts", "all_stage_facts", "stage_facts", "value_text"]

# Code in a docstring (``name``, :class:`name`) -> Markdown's `name`.
_MARKED = re.compile(r"(?::[a-z:]+:)?(?<!`)`{1,2}~?([^`]+)`{1,2}")
_SECTION = re.compile(r"^(?P<title>[A-Z][A-Za-z ]+)\n-{3,}\n", re.MULTILINE)


@dataclass(frozen=True)
class ParameterFacts:
    """One parameter of a stage.

    Parameters
    ----------
    name : str
        As the pipeline file spells it.
    kind : str
        What a value must be, in words, with its limits and unit.
    unit : str
        Unit, or empty.
    default : object
        The default; None where it is derived from the cloud.
    derived : str
        How the value follows from the cloud; empty where it doesn't.
    bounds : str
        Limits of a number (``> 0``); empty where there are none.
    meaning : str
        One line for people.
    source : str
        Where the default comes from.
    """

    name: str
    kind: str
    unit: str
    default: Any
    derived: str
    bounds: str
    meaning: str
    source: str

    @property
    def default_text(self) -> str:
        """The default in words, with its unit."""
        if self.default is None:
            return f"from the cloud: {self.derived}" if self.derived else "none"
        text = value_text(self.default)
        return f"{text} {self.unit}" if self.unit and not isinstance(self.default, list) else text


@dataclass(frozen=True)
class StageFacts:
    """One stage.

    Parameters
    ----------
    name, kind, scope : str
        Name in pipeline files, folder, and how far a result depends on other points.
    summary : str
        The first sentence of the description.
    text, notes : str
        The rest of the description, and its notes. All three mark names as Markdown does.
    measured : str
        What it was measured to be good and bad at; empty where nothing was measured.
    needs, uses, provides : tuple of str
        Columns that must be there, that are read where they are there, and that may change or are made.
    grids : tuple of str
        Raster products.
    reads : tuple of str
        Rasters of earlier stages that it reads, or chooses from.
    layers : tuple of str
        Vector products.
    surfaces : tuple of str
        Surfaces of triangles.
    figures : tuple of Figure
        Figures that it may give, beside those of every run.
    references : tuple of str
        Papers and standards behind the method.
    parameters : tuple of ParameterFacts
        In the order of declaration.
    """

    name: str
    kind: str
    scope: str
    summary: str
    text: str
    notes: str
    measured: str
    needs: tuple[str, ...]
    uses: tuple[str, ...]
    provides: tuple[str, ...]
    grids: tuple[str, ...]
    reads: tuple[str, ...]
    layers: tuple[str, ...]
    surfaces: tuple[str, ...]
    figures: tuple[Figure, ...]
    references: tuple[str, ...]
    parameters: tuple[ParameterFacts, ...]

    @property
    def made_files(self) -> tuple[str, ...]:
        """What it adds to the site's products, as people find it in the folder."""
        return (
            *(f"{name}.tif" for name in self.grids),
            *(f"layer {name}" for name in self.layers),
            *(f"surface {name}" for name in self.surfaces),
        )

    @property
    def changes(self) -> tuple[str, ...]:
        """Labels that it changes in the delivered clouds."""
        return tuple(n for n in self.provides if n not in WORKING_COLUMNS)

    @property
    def hands_on(self) -> tuple[str, ...]:
        """Working columns that it makes for later stages."""
        return tuple(n for n in self.provides if n in WORKING_COLUMNS)

    def as_dict(self) -> dict[str, Any]:
        """Return plain values, for machines."""
        return asdict(self)


def stage_facts(stage: type[Stage]) -> StageFacts:
    """Return what there is to know about a stage class."""
    summary, text, notes = _description(inspect.getdoc(stage) or "")
    return StageFacts(
        name=stage.name,
        kind=stage.kind,
        scope=stage.scope.value,
        summary=summary,
        text=text,
        notes=notes,
        measured=measured_text(stage.name),
        needs=tuple(stage.needs),
        uses=tuple(stage.uses),
        provides=tuple(stage.provides),
        grids=tuple(stage.grids),
        reads=tuple(stage.reads),
        layers=tuple(stage.makes_layers),
        surfaces=tuple(stage.makes_surfaces),
        figures=stage.reports or (),
        references=tuple(stage.references),
        parameters=tuple(_parameters(stage)),
    )


def all_stage_facts(names: Iterable[str] | None = None) -> list[StageFacts]:
    """Return the facts of all stages (or of those named), in the order of the registry.

    Where all are asked for, one that can't be loaded warns and is left out: a broken stage of a third party
    must not hide the others.
    """
    if names is not None:
        return [stage_facts(stage_class(name)) for name in names]
    found: list[StageFacts] = []
    for name in stage_names():
        try:
            found.append(stage_facts(stage_class(name)))
        except UsageError as error:
            warnings.warn(str(error), stacklevel=2)
    return found


def value_text(value: Any) -> str:
    """Return a value as a pipeline file would spell it.

    >>> value_text(True), value_text(2.0), value_text([9, 6]), value_text(None), value_text(1e-05)
    ('true', '2', '[9, 6]', 'none', '1e-05')
    """
    if value is None:
        return "none"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, float):
        return repr(value).removesuffix(".0")
    if isinstance(value, list | tuple):
        return f"[{', '.join(value_text(v) for v in value)}]"
    return str(value)


def _parameters(stage: type[Stage]) -> Iterable[ParameterFacts]:
    schema = stage.Params.model_json_schema(mode="validation")
    defaults = stage.Params().model_dump(mode="json")
    for name in stage.Params.model_fields:
        field = field_schema(schema, (name,))
        unit = str(field.get("unit", ""))
        yield ParameterFacts(
            name=name,
            kind=wanted_text(field, unit),
            unit=unit,
            default=defaults[name],
            derived=str(field.get("derived", "")),
            bounds=bounds_text(field),
            meaning=str(field.get("description", "")),
            source=str(field.get("source", "")),
        )


def _description(docstring: str) -> tuple[str, str, str]:
    """Split a numpydoc text into its summary, the paragraphs after it, and its notes."""
    parts = _SECTION.split(_MARKED.sub(r"`\1`", docstring))
    sections = dict(zip(parts[1::2], parts[2::2], strict=True))
    summary, _, text = parts[0].strip().partition("\n\n")
    return " ".join(summary.split()), text.strip(), sections.get("Notes", "").strip()
