"""Writes what a comparison of two runs found: for programs and for build servers."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

from cloudprep import __version__
from cloudprep.io.atomic import make_folder, whole_file
from cloudprep.judging.junit_xml import Case, suite_xml

if TYPE_CHECKING:
    from pathlib import Path

    from cloudprep.runs.compare import RunComparison

__all__ = ["JSON", "JUNIT", "comparison_json", "comparison_xml", "write_comparison"]

JSON = "comparison.json"
JUNIT = "comparison.xml"


def comparison_json(found: RunComparison) -> str:
    """Return everything that was found."""
    return json.dumps(found.as_dict(), indent=2, ensure_ascii=True, allow_nan=False) + "\n"


def comparison_xml(found: RunComparison) -> bytes:
    """Return a JUnit XML file with a case for everything that has a tolerance.

    What differs within the tolerance passes. What is only told stands in the suite's output.
    """
    cases = [
        Case(
            one.about,
            one.name,
            "failure" if one.verdict == "beyond" else "passed",
            one.text if one.verdict == "beyond" else "",
            kind="difference",
        )
        for one in found.findings
        if one.verdict != "told"
    ]
    return suite_xml(
        "comparison",
        cases,
        started=found.started.isoformat(timespec="seconds"),
        seconds=found.seconds,
        properties={
            "first": str(found.first.root),
            "second": str(found.second.root),
            "version": __version__,
        },
        lines=[f"{one.about} {one.name}: {one.text}" for one in found.findings if one.verdict != "same"],
    )


def write_comparison(found: RunComparison, folder: Path) -> tuple[Path, ...]:
    """Write ``comparison.json`` and ``comparison.xml``, each whole or not at all.

    Raises
    ------
    OutputError
        If one can't be written.
    """
    make_folder(folder)
    made = []
    contents = ((JSON, comparison_json(found).encode("ascii")), (JUNIT, comparison_xml(found)))
    for name, content in contents:
        target = folder / name
        with whole_file(target) as part:
            part.write_bytes(content)
        made.append(target)
    return tuple(made)
