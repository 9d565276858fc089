"""The inputs as they were found, and what came of them."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from cloudprep.reporting.markup import Html, el, joined
from cloudprep.reporting.sections.parts import section, table
from cloudprep.reporting.words import percent, plain, short_name, size_text, whole

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from cloudprep.reporting.subject import Subject

_FIGURES: tuple[tuple[str, str, Callable[[float], str]], ...] = (
    ("points.density", "Points per m²", plain),
    ("ground.share", "Ground", percent),
    ("noise.share", "Noise", percent),
)


def inputs_section(subject: Subject) -> Html:
    """Return the section."""
    inputs = subject.inputs
    shown = [f for f in _FIGURES if any(f[0] in (i.get("figures") or {}) for i in inputs)]
    rows = []
    for one in inputs:
        figures = one.get("figures") or {}
        notes = [one["reason"]] if one.get("reason") else []
        if one.get("stray_points"):
            notes.append(f"{whole(one['stray_points'])} points at absurd coordinates, labelled noise")
        if one.get("unused_points"):
            notes.append(
                f"{whole(one['unused_points'])} points beyond the boundary's buffer, used for nothing"
            )
        notes += one.get("warnings", [])
        rows.append(
            (
                short_name(str(one["path"])),
                el("span", "done" if one["status"] == "done" else "failed", class_=f"mark {one['status']}"),
                whole(one["points"]),
                *(words(figures[key]) if key in figures else "" for key, _, words in shown),
                size_text(one["size_bytes"]),
                one.get("reference_system") or "",
                joined(*(el("p", note) for note in notes)),
            )
        )
    heads = (
        "Input",
        "Result",
        "Points",
        *(name for _, name, _ in shown),
        "Size",
        "Reference system",
        "Notes",
    )
    numbers = tuple(range(2, 4 + len(shown)))
    outputs = [
        (
            o["path"],
            o["kind"],
            _size(o),
            "" if o.get("points") is None else whole(o["points"]),
        )
        for o in subject.record.get("outputs", [])
    ]
    return section(
        "inputs",
        "Inputs and results",
        table(heads, rows, caption="Inputs", numbers=numbers),
        joined(
            el("h3", "Delivered files"),
            table(("File", "Kind", "Size", "Points"), outputs, caption="Delivered files", numbers=(2, 3)),
        )
        if outputs
        else None,
    )


def _size(output: Mapping[str, Any]) -> str:
    """Return a file's size; none for files that hold times, so that the page doesn't depend on these."""
    return "" if output["kind"] in ("judgement", "report") else size_text(output["size_bytes"])
