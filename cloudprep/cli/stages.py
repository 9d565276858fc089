"""``cloudprep stages``: what can stand in a pipeline."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING, Annotated

import typer

from cloudprep.cli.options import AsJson, Debug  # noqa: TC001 - typer reads the annotations

if TYPE_CHECKING:
    from cloudprep.config.facts import ParameterFacts, StageFacts

NAME = "stages"
HELP = """List the stages, or tell all about one.

\b
Examples:
  cloudprep stages
  cloudprep stages terrain_grid
  cloudprep stages --json
"""

_WIDTH = 100
StageName = Annotated[
    str | None, typer.Argument(metavar="[NAME]", help="A stage to tell all about.", show_default=False)
]


def command(name: StageName = None, as_json: AsJson = False, debug: Debug = False) -> None:  # noqa: ARG001 - the guard reads it
    """List the stages, or tell all about one."""
    from cloudprep.cli.console import put, put_json
    from cloudprep.config.facts import all_stage_facts, stage_facts
    from cloudprep.stages.registry import stage_class

    if name is not None:
        facts = stage_facts(stage_class(name))
        put_json(facts.as_dict()) if as_json else put(_one(facts))
        return
    everything = all_stage_facts()
    put_json([f.as_dict() for f in everything]) if as_json else put(_listing(everything))


def _listing(everything: list[StageFacts]) -> str:
    width = max((len(f.name) for f in everything), default=0)
    lines: list[str] = []
    for kind in dict.fromkeys(f.kind for f in everything):
        lines.append(kind)
        for facts in everything:
            if facts.kind == kind:
                lines += _hanging(f"  {facts.name:<{width}}  ", _plain(facts.summary))
        lines.append("")
    return "\n".join([*lines, "All about one: cloudprep stages NAME"])


def _one(facts: StageFacts) -> str:
    lines = [f"{facts.name} ({facts.kind})", "", *_paragraphs(_plain(facts.summary))]
    lines += [
        line
        for part in (facts.text, facts.notes, facts.measured)
        if part
        for line in ("", *_paragraphs(_plain(part)))
    ]
    lines += ["", *_columns(facts), "", "Parameters" if facts.parameters else "It has no parameters."]
    for parameter in facts.parameters:
        lines += ["", *_parameter(parameter)]
    if facts.figures:
        lines += ["", "Figures, for gates"]
        for figure in facts.figures:
            unit = f" ({figure.unit})" if figure.unit else ""
            lines += _hanging(f"  {figure.name}{unit}: ", figure.meaning)
    if facts.references:
        lines += ["", "References"]
        for reference in facts.references:
            lines += _hanging("  ", reference)
    return "\n".join(lines)


def _columns(facts: StageFacts) -> list[str]:
    rows = (
        ("needs", ", ".join(facts.needs)),
        ("uses", ", ".join(facts.uses) + " (where they are there)" if facts.uses else ""),
        ("changes", ", ".join(facts.changes)),
        ("hands on", ", ".join(facts.hands_on) + " (to later stages)" if facts.hands_on else ""),
        ("rasters", ", ".join(facts.reads)),
        ("makes", ", ".join(facts.made_files)),
    )
    return [line for word, text in rows if text for line in _hanging(f"{word:<9}", text)]


def _parameter(parameter: ParameterFacts) -> list[str]:
    rows = (
        ("meaning", parameter.meaning),
        ("value", parameter.kind),
        ("default", parameter.default_text),
        ("source", parameter.source),
    )
    lines = [f"  {parameter.name}"]
    return lines + [line for word, text in rows if text for line in _hanging(f"    {word:<9}", text)]


def _plain(text: str) -> str:
    """Return Markdown as a terminal shows it: names without their marks."""
    return text.replace("`", "")


def _hanging(start: str, text: str) -> list[str]:
    return textwrap.wrap(
        " ".join(text.split()),
        _WIDTH,
        initial_indent=start,
        subsequent_indent=" " * len(start),
        break_long_words=False,
        break_on_hyphens=False,
    )


def _paragraphs(text: str) -> list[str]:
    """Wrap paragraphs; indented ones (formulas, lists) stay as they are."""
    lines: list[str] = []
    for paragraph in text.split("\n\n"):
        as_written = any(line.startswith((" ", "- ", "* ")) for line in paragraph.splitlines())
        lines += ["", *(paragraph.splitlines() if as_written else textwrap.wrap(paragraph, _WIDTH))]
    return lines[1:]
