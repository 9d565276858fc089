"""Pieces that several sections have: tables, legends, figures."""

from __future__ import annotations

from typing import TYPE_CHECKING

from cloudprep.reporting.markup import Html, el, joined

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from cloudprep.reporting.markup import Styles


def section(key: str, title: str, *children: object) -> Html:
    """Return a section with its heading."""
    return el(
        "section", el("h2", title, id=f"{key}-title"), *children, id=key, aria_labelledby=f"{key}-title"
    )


def table(
    heads: Sequence[str],
    rows: Iterable[Sequence[object]],
    *,
    caption: str,
    numbers: Sequence[int] = (),
    row_heads: bool = True,
) -> Html:
    """Return a table with heads of columns, and by default of rows.

    Parameters
    ----------
    heads : sequence of str
        Of the columns.
    rows : iterable of sequences
        Cells.
    caption : str
        What the table shows, for those who don't see it.
    numbers : sequence of int
        Columns of numbers, set to the right.
    row_heads : bool
        Whether the first cell of a row is its head.
    """

    def cell(at: int, value: object) -> Html:
        kind = "num" if at in numbers else None
        if at == 0 and row_heads:
            return el("th", value, scope="row", class_=kind)
        return el("td", value, class_=kind)

    head = el(
        "tr", *(el("th", h, scope="col", class_="num" if k in numbers else None) for k, h in enumerate(heads))
    )
    body = [el("tr", *(cell(k, value) for k, value in enumerate(row))) for row in rows]
    return el(
        "div",
        el("table", el("caption", caption), el("thead", head), el("tbody", *body)),
        class_="table",
        tabindex="0",
        role="group",
        aria_label=caption,
    )


def legend(entries: Sequence[tuple[str, str]], styles: Styles) -> Html | None:
    """Return a legend: colours and their meaning."""
    if not entries:
        return None
    return el(
        "ul",
        *(
            el("li", el("span", class_=f"swatch {styles.put(f'background: {colour}')}"), words)
            for colour, words in entries
        ),
        class_="legend",
    )


def bullets(items: Sequence[object]) -> Html:
    """Return a list."""
    return el("ul", *(el("li", item) for item in items), class_="plain")


def together(*children: object) -> Html:
    """Return pieces one after the other."""
    return joined(*children)
