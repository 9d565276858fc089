"""Points by class, and histograms."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from cloudprep.model.classes import class_name
from cloudprep.reporting.charts import all_charts, chart_figure
from cloudprep.reporting.colours import KINDS, kind_of_codes
from cloudprep.reporting.markup import Html, el
from cloudprep.reporting.sections.parts import legend, section, table
from cloudprep.reporting.words import percent, whole

if TYPE_CHECKING:
    from cloudprep.reporting.markup import Styles
    from cloudprep.reporting.subject import Subject


def histogram_section(subject: Subject, styles: Styles) -> Html:
    """Return the table of classes and the histograms."""
    charts = [chart_figure(c, legend(c.legend, styles) or Html("")) for c in all_charts(subject)]
    return section(
        "numbers",
        "Points by class, height and trust",
        class_table(subject, styles),
        el("div", *charts, class_="charts"),
    )


def class_table(subject: Subject, styles: Styles) -> Html:
    """Return how many points each class has."""
    codes = subject.gathered.counts.codes
    total = max(int(codes.sum()), 1)
    kinds = kind_of_codes()
    most = max(int(codes.max()), 1)
    rows = []
    for code in np.flatnonzero(codes)[np.argsort(-codes[np.flatnonzero(codes)], kind="stable")].tolist():
        colour = KINDS[int(kinds[code])].colour
        number = int(codes[code])
        bar = styles.put(f"width: {100 * number / most:.2f}%; background: {colour}")
        rows.append(
            (
                f"{code} {class_name(code)}",
                whole(number),
                percent(number / total),
                el("span", el("span", class_=f"bar {bar}"), class_="track"),
            )
        )
    return table(
        ("Class", "Points", "Share", ""), rows, caption="Points of each class after the run", numbers=(1, 2)
    )
