"""What was done, in plain words, and how the figures went against the gates."""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING, Any

import numpy as np

from cloudprep.reporting.markup import Html, el, joined
from cloudprep.reporting.sections.parts import section, table
from cloudprep.reporting.words import many, percent, plain, short_name, whole

if TYPE_CHECKING:
    from collections.abc import Mapping

    from cloudprep.reporting.subject import Subject

_FAILED, _WARNED, _PASSED, _OPEN = "failed", "warned", "passed", "not_judged"
_WORDS = {_FAILED: "failed", _WARNED: "missed, only a warning", _PASSED: "passed", _OPEN: "not judged"}


def outcome_of(gate: Mapping[str, Any]) -> str:
    """Return how a gate went."""
    return str(gate.get("outcome") or (_PASSED if gate.get("passed") else _FAILED))


def verdict(subject: Subject) -> tuple[str, str]:
    """Return a run's verdict: its kind (``bad``, ``fair``, ``good``, ``open``) and one sentence."""
    failed_inputs = [i for i in subject.inputs if i.get("status") == "failed"]
    gates = Counter(outcome_of(g) for g in subject.record.get("gates", []))
    judged = gates[_PASSED] + gates[_WARNED] + gates[_FAILED]
    parts = []
    if failed_inputs:
        parts.append(
            f"{len(failed_inputs)} of {many(len(subject.inputs), 'input')} failed and were set aside."
        )
    if gates[_FAILED]:
        parts.append(f"{gates[_FAILED]} of {many(judged, 'gate')} failed.")
    if gates[_WARNED]:
        parts.append(f"{many(gates[_WARNED], 'gate')} missed, as a warning only.")
    if judged and not gates[_FAILED] and not gates[_WARNED]:
        parts.append("The gate was passed." if judged == 1 else f"All {judged} gates were passed.")
    if gates[_OPEN]:
        parts.append(f"{many(gates[_OPEN], 'gate')} could not be judged.")
    if not subject.record.get("gates"):
        parts.append("No gates were asked for, so no figure was judged.")
    kind = "bad" if failed_inputs or gates[_FAILED] else "fair" if gates[_WARNED] or gates[_OPEN] else "good"
    return ("open" if kind == "good" and not judged else kind), " ".join(parts)


def headline_section(subject: Subject) -> Html:
    """Return the head of the page."""
    kind, sentence = verdict(subject)
    return section(
        "result",
        "What was done",
        el("p", done_words(subject), class_="lead"),
        el(
            "p",
            el("strong", {"bad": "Look first: ", "fair": "Note: "}.get(kind, "")),
            sentence,
            class_=f"verdict {kind}",
        ),
        key_figures(subject),
        gate_table(subject),
    )


def done_words(subject: Subject) -> str:
    """Return what was done in a few sentences."""
    gathered = subject.gathered
    done = [i for i in subject.inputs if i.get("status") == "done"]
    stages = [s["stage"] for s in subject.record.get("stages", [])]
    total = max(gathered.total, 1)
    noise, ground = gathered.noise, int(gathered.counts.codes[2])
    together = "went together" if len(done) > 1 else "went"
    all_points = many(gathered.total, "point")
    words = [f"{many(len(done), 'input')} with {all_points} {together} through {many(len(stages), 'stage')}."]
    if noise:
        what = (
            "left out of the delivered clouds"
            if subject.drops_noise
            else "labelled, and still in the delivered clouds"
        )
        words.append(f"{many(noise, 'point')} ({percent(noise / total)}) are noise: {what}.")
    else:
        words.append("No point is labelled as noise.")
    if ground:
        words.append(f"{many(ground, 'point')} ({percent(ground / total)}) are ground.")
    else:
        words.append("No point is labelled ground.")
    kinds = Counter(o.get("kind") for o in subject.record.get("outputs", []))
    made = [
        many(kinds[kind], name)
        for kind, name in (
            ("cloud", "cloud"),
            ("raster", "raster"),
            ("layers", "file of layers"),
            ("surface", "surface"),
        )
        if kinds[kind]
    ]
    made = [m.replace("file of layerss", "files of layers") for m in made]
    if made:
        words.append(f"Delivered: {', '.join(made)}.")
    return " ".join(words)


def key_figures(subject: Subject) -> Html:
    """Return the figures that everybody asks for first."""
    gathered = subject.gathered
    place = gathered.place
    seen = int(np.count_nonzero(gathered.seen)) * gathered.cell**2
    inside = int(np.count_nonzero(gathered.inside)) * gathered.cell**2
    total = max(gathered.total, 1)
    pairs = [
        ("Points", whole(gathered.total), ""),
        ("Area with points", *_area(seen)),
        ("Points per m²", plain((gathered.total - gathered.noise) / seen) if seen else "none", "noise aside"),
        ("Point spacing", f"{plain(place.spacing)} m", ""),
        ("Heights", *_heights(subject)),
        ("Noise", percent(gathered.noise / total), "of all points"),
        ("Ground", percent(int(gathered.counts.codes[2]) / total), "of all points"),
    ]
    if inside > 0 and subject.grounded:
        bare = int(np.count_nonzero(gathered.cells.ground > 0)) * gathered.cell**2
        pairs.append(
            ("Cells with ground", percent(bare / inside), f"of the site, cells of {plain(gathered.cell)} m")
        )
    return el(
        "dl",
        *(
            el(
                "div",
                el("dt", name),
                el("dd", value, el("span", f" {more}", class_="more") if more else None),
            )
            for name, value, more in pairs
        ),
        class_="figures",
    )


def _heights(subject: Subject) -> tuple[str, str]:
    """Return the range of heights, noise aside."""
    gathered = subject.gathered
    if not gathered.seen.any():
        return "none", ""
    low = gathered.place.height(float(np.nanmin(gathered.cells.low)))
    high = gathered.place.height(float(np.nanmax(gathered.cells.high)))
    return f"{low:,.1f} to {high:,.1f}", f"{gathered.place.unit}, noise aside"


def _area(area: float) -> tuple[str, str]:
    return (f"{plain(area / 1e4)} ha", "") if area >= 1e4 else (f"{plain(area)} m²", "")


def gate_table(subject: Subject) -> Html | None:
    """Return how each gate went; the failed ones first."""
    gates = list(subject.record.get("gates", []))
    if not gates:
        return None
    order = (_FAILED, _WARNED, _OPEN, _PASSED)
    gates.sort(key=lambda g: order.index(outcome_of(g)) if outcome_of(g) in order else 0)
    flights = any(g.get("flight") for g in gates)
    rows = []
    for gate in gates:
        outcome = outcome_of(gate)
        unit = f" {gate['unit']}" if gate.get("unit") else ""
        value = "none" if gate.get("value") is None else f"{plain(gate['value'], 5)}{unit}"
        words = _WORDS.get(outcome, outcome)
        name = joined(
            el("code", gate["figure"]), el("br") if gate.get("why") else None, gate.get("why") or None
        )
        row: list[object] = [
            name,
            value,
            _limits(gate) + unit,
            el("span", words, class_=f"mark {outcome}"),
            gate.get("reason") or "",
        ]
        if flights:
            row.insert(1, short_name(gate["flight"]) if gate.get("flight") else "all together")
        rows.append(row)
    heads = ["Figure", "Value", "Asked for", "Result", "Why"]
    if flights:
        heads.insert(1, "Flight")
    return joined(el("h3", "Gates"), table(heads, rows, caption="Gates and how they went"))


def _limits(gate: Mapping[str, Any]) -> str:
    low, high = gate.get("at_least"), gate.get("at_most")
    if low is not None and high is not None:
        return f"{plain(low, 6)} to {plain(high, 6)}"
    if low is not None:
        return f"at least {plain(low, 6)}"
    return f"at most {plain(high, 6)}" if high is not None else ""
