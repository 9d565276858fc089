"""What was assumed, and what the run warned of."""

from __future__ import annotations

from typing import TYPE_CHECKING

from cloudprep.reporting.markup import Html, el
from cloudprep.reporting.sections.parts import bullets, section

if TYPE_CHECKING:
    from cloudprep.reporting.subject import Subject


def assumed_section(subject: Subject) -> Html:
    """Return the section."""
    assumed = list(subject.record.get("assumed", []))
    warnings = list(subject.record.get("warnings", []))
    return section(
        "assumed",
        "What was assumed, and warnings",
        el("h3", "Assumed"),
        bullets(assumed) if assumed else el("p", "Nothing had to be assumed: the inputs say it all."),
        el("h3", "Warnings"),
        bullets(warnings) if warnings else el("p", "None."),
    )
