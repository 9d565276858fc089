"""The plan of a pipeline in words: what each stage reads, labels and makes, with every parameter."""

from __future__ import annotations

from typing import TYPE_CHECKING

from cloudprep.config.facts import ParameterFacts, stage_facts, value_text

if TYPE_CHECKING:
    from cloudprep.config.pipeline import Pipeline
    from cloudprep.config.sections import Gate
    from cloudprep.stages.base import Stage

__all__ = ["plan_text"]

_SCOPES = {
    "point": "point by point",
    "neighbourhood": "each point with its neighbourhood",
    "cloud": "the whole site at once",
    "raster": "rasters of earlier stages",
}


def plan_text(pipeline: Pipeline) -> str:
    """Return what a pipeline will do, for people.

    Parameters
    ----------
    pipeline : Pipeline
        A checked pipeline.

    Returns
    -------
    str
        Lines without a final line break.
    """
    lines = [f"{pipeline.source}: good" if pipeline.source else "good", ""]
    for number, stage in enumerate(pipeline.build(), 1):
        lines += _stage_lines(number, stage)
        lines.append("")
    return "\n".join([*lines, *_rest_lines(pipeline)])


def _stage_lines(number: int, stage: Stage) -> list[str]:
    facts = stage_facts(type(stage))
    columns = ", ".join(facts.needs) + (
        f"; where they are there: {', '.join(facts.uses)}" if facts.uses else ""
    )
    lines = [
        f"{number}. {facts.name}: {facts.summary.replace('`', '')}",
        f"   looks at   {_SCOPES[facts.scope]}",
    ]
    if columns:
        lines.append(f"   reads      {columns}")
    if facts.changes:
        lines.append(f"   changes    {', '.join(facts.changes)}")
    if facts.hands_on:
        lines.append(f"   hands on   {', '.join(facts.hands_on)}")
    if stage.sources():
        lines.append(f"   rasters    {', '.join(stage.sources())}")
    made = (
        *(f"{name}.tif" for name in stage.products()),
        *facts.made_files[len(facts.grids) :],
    )
    if made:
        lines.append(f"   makes      {', '.join(made)}")
    lines.append(f"   reach      {_reach_text(stage)}")
    values = stage.params.model_dump(mode="json")
    width = max((len(name) for name in values), default=0)
    if facts.parameters:
        lines.append("   parameters")
    return lines + [f"     {p.name:<{width}}  {_value_text(p, values[p.name])}" for p in facts.parameters]


def _reach_text(stage: Stage) -> str:
    """Return the reach where it is known already: it may hang on values that come from the cloud."""
    values = stage.params.model_dump()
    open_values = [
        p.name for p in stage_facts(type(stage)).parameters if p.derived and values[p.name] is None
    ]
    if open_values:
        return f"known once the flights are measured ({', '.join(open_values)})"
    return f"{stage.reach():g} m"


def _value_text(parameter: ParameterFacts, value: object) -> str:
    if value is None:
        return parameter.default_text if parameter.derived else "none"
    text = value_text(value)
    text = f"{text} {parameter.unit}" if parameter.unit and not isinstance(value, list) else text
    return text if value == parameter.default else f"{text}  (set; default: {parameter.default_text})"


def _rest_lines(pipeline: Pipeline) -> list[str]:
    output, assume = pipeline.output, pipeline.assume
    version = "LAS version kept" if output.las_version == "keep" else f"LAS {output.las_version}"
    noise = "noise points left out" if output.drop_noise else "noise points labelled and kept"
    said = [text for text in (assume.crs, f"units: {assume.units}" if assume.units else None) if text]
    lines = [
        f"clouds: {output.format}, {version}, {noise}" if output.clouds else "clouds: none are written",
        f"flights without a reference system: {', '.join(said) if said else 'metres are assumed, and said'}",
    ]
    return [*lines, *(_gate_line(gate) for gate in pipeline.gates)]


def _gate_line(gate: Gate) -> str:
    whose = "of every flight " if gate.per == "flight" else ""
    missed = "exit code 3 if not" if gate.severity == "fail" else "only a warning if not"
    whose += "(where it has one) " if gate.optional else ""
    why = f": {gate.why}" if gate.why else ""
    where = ", where there is such a figure" if gate.optional else ""
    return f"gate: {gate.figure} {whose}must be {gate.limits}{where} ({missed}){why}"
