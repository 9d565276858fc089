"""The pipeline as it was resolved, what was derived and why, all figures, versions, and the caution."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import yaml

from cloudprep.reporting.markup import Html, el
from cloudprep.reporting.sections.parts import section, table
from cloudprep.reporting.words import plain, short_name

if TYPE_CHECKING:
    from cloudprep.reporting.subject import Subject


def resolved_section(subject: Subject) -> Html:
    """Return the section."""
    record = subject.record
    derived = [
        (el("code", f"{stage['stage']}.{name}"), _value(stage["parameters"].get(name)), reason)
        for stage in record.get("stages", [])
        for name, reason in stage.get("derived", {}).items()
    ]
    stages = [
        (
            el("code", stage["stage"]),
            f"{stage['changed']:,}",
            "; ".join(stage.get("warnings", [])),
        )
        for stage in record.get("stages", [])
    ]
    figures = [
        (el("code", name), plain(value, 6)) for name, value in sorted(record.get("figures", {}).items())
    ]
    versions = list(record.get("versions", {}).items())
    source = short_name(str(record.get("pipeline_source", "")))
    return section(
        "pipeline",
        "Pipeline, figures and versions",
        el(
            "p",
            "As it was carried out, with every default filled in",
            f" (from {source})." if source else ".",
        ),
        el("pre", el("code", as_yaml(record.get("pipeline", {})))),
        el("h3", "Stages"),
        table(("Stage", "Labels changed", "Warnings"), stages, caption="Stages in their order", numbers=(1,)),
        *_titled(
            "Derived from the cloud", ("Parameter", "Value", "Why"), derived, "Parameters that were derived"
        ),
        *_titled("All figures", ("Figure", "Value"), figures, "All figures of the run", numbers=(1,)),
        *_titled("Versions", ("What", "Version"), versions, "Versions that the result depends on"),
    )


def _titled(
    title: str, heads: tuple[str, ...], rows: list[Any], caption: str, numbers: tuple[int, ...] = ()
) -> list[Html]:
    return [el("h3", title), table(heads, rows, caption=caption, numbers=numbers)] if rows else []


def _value(value: object) -> str:
    return plain(value, 5) if isinstance(value, float) else str(value)


def as_yaml(pipeline: Any) -> str:
    """Return a pipeline as YAML, keys in the order of the record."""
    return yaml.safe_dump(pipeline, sort_keys=False, allow_unicode=True, width=100)


def caution_section(subject: Subject) -> Html:
    """Return what everybody who uses the results has to know."""
    return section("caution", "Caution", el("p", str(subject.record.get("caution", "")), class_="caution"))
