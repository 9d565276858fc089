"""Writes what the gates of a run came to: for build servers, for programs and for people."""

from __future__ import annotations

from typing import TYPE_CHECKING

from cloudprep.io.atomic import whole_file
from cloudprep.judging.document import gates_json
from cloudprep.judging.junit import junit_xml
from cloudprep.judging.markdown import gates_markdown

if TYPE_CHECKING:
    from pathlib import Path

    from cloudprep.judging.outcome import Judgement

__all__ = ["JSON", "JUDGEMENT_NAMES", "JUNIT", "MARKDOWN", "write_judgement"]

JUNIT = "gates.xml"
JSON = "gates.json"
MARKDOWN = "gates.md"
JUDGEMENT_NAMES = (JUNIT, JSON, MARKDOWN)


def write_judgement(judgement: Judgement, folder: Path) -> tuple[Path, ...]:
    """Write ``gates.xml``, ``gates.json`` and ``gates.md``, each whole or not at all.

    Returns
    -------
    tuple of Path
        The files.

    Raises
    ------
    OutputError
        If one can't be written.
    """
    made = []
    for name, content in (
        (JUNIT, junit_xml(judgement)),
        (JSON, gates_json(judgement).encode("utf-8")),
        (MARKDOWN, gates_markdown(judgement).encode("utf-8")),
    ):
        target = folder / name
        with whole_file(target) as part:
            part.write_bytes(content)
        made.append(target)
    return tuple(made)
