"""The reference page of the stages, generated from what the stages declare."""

from __future__ import annotations

from typing import TYPE_CHECKING

from cloudprep.config.facts import ParameterFacts, StageFacts, all_stage_facts
from cloudprep.model.figures import FIGURES
from cloudprep.stages.registry import BUILT_IN

if TYPE_CHECKING:
    from collections.abc import Iterable

    from cloudprep.model.figures import Figure

__all__ = ["reference_page"]

_HEAD = """\
# Stages

This page is generated from the stages themselves (`python -m cloudprep.config.reference > docs/stages.md`);
the same facts are on the command line: `cloudprep stages NAME`.

Lengths are metres and angles are degrees, whatever the unit of the cloud. A parameter that is left out has
its default; one whose default comes from the cloud is worked out once per run and written to the run record
with the reason. Values in a pipeline file follow YAML 1.2: `1e-3` is a number, and only `true` and `false`
are truth values (`no` and `on` are text).
"""

_EVERY_RUN = """\
Gates (`gates:` in a pipeline) judge figures. Stages have figures of their own, named below. Those that follow
every run has; each flight has them too (`per: flight`), but for the seconds. Figures of the header only
flights have.
"""


def reference_page(names: Iterable[str] | None = None) -> str:
    """Return the reference page as Markdown.

    Parameters
    ----------
    names : iterable of str, optional
        The stages to describe; by default the built-in ones.
    """
    stages = all_stage_facts(BUILT_IN if names is None else names)
    parts = [_HEAD, _EVERY_RUN, _figures(f for f in FIGURES.values()).partition("\n\n")[2] + "\n"]
    for kind in dict.fromkeys(stage.kind for stage in stages):
        parts.append(f"## {kind.capitalize()}\n")
        parts += [_stage(stage) for stage in stages if stage.kind == kind]
    return "\n".join(parts).rstrip() + "\n"


def _stage(facts: StageFacts) -> str:
    blocks = [f"### {facts.name}", facts.summary, facts.text, facts.notes, facts.measured]
    blocks.append(_columns(facts))
    if facts.parameters:
        rows = ["| parameter | value | default | meaning | source |", "| --- | --- | --- | --- | --- |"]
        blocks.append("\n".join([*rows, *(_row(p) for p in facts.parameters)]))
    else:
        blocks.append("It has no parameters.")
    blocks.append(_figures(facts.figures))
    blocks.append("\n".join(f"- {reference}" for reference in facts.references))
    return "\n\n".join(block for block in blocks if block) + "\n"


def _columns(facts: StageFacts) -> str:
    lines = [
        ("Needs", facts.needs),
        ("Uses where they are there", facts.uses),
        ("Changes", facts.changes),
        ("Hands on to later stages", facts.hands_on),
        ("Reads rasters", facts.reads),
        ("Makes", facts.made_files),
    ]
    return "  \n".join(f"{word}: {', '.join(f'`{n}`' for n in names)}" for word, names in lines if names)


def _figures(figures: Iterable[Figure]) -> str:
    """Return a list of figures for gates."""
    rows = [f"- `{f.name}`{f' ({f.unit})' if f.unit else ''}: {f.meaning}" for f in figures]
    return "\n".join(["Figures, for gates:", "", *rows]) if rows else ""


def _row(p: ParameterFacts) -> str:
    cells = (f"`{p.name}`", p.kind, p.default_text, p.meaning, p.source)
    return f"| {' | '.join(cell.replace('|', chr(92) + '|') for cell in cells)} |"


def main() -> None:
    """Print the page: ``python -m cloudprep.config.reference > docs/stages.md``."""
    print(reference_page(), end="")  # noqa: T201 - its output is the file


if __name__ == "__main__":
    main()
