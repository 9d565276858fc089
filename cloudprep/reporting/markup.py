"""HTML that can't be broken by the texts it holds: every text is escaped unless it was made here."""

from __future__ import annotations

import html
from typing import Final

# Elements that have no end tag (HTML, Living Standard, section 13.1.2).
_VOID: Final = frozenset({"br", "hr", "img", "meta", "col", "input", "link"})


class Html(str):
    """A piece of HTML; whatever isn't one is text."""

    __slots__ = ()


def text(value: object) -> Html:
    r"""Return a value as text: nothing in it means anything to a browser.

    Characters that aren't printable (line breaks and tabs aside) are spelled out, so that a file name
    can't turn the direction of reading around or hide a part of itself.

    >>> text("<b>&\u202e")
    '&lt;b&gt;&amp;\\u202e'
    """
    if isinstance(value, Html):
        return value
    shown = str(value)
    if not shown.isprintable():
        shown = "".join(
            c if c.isprintable() or c in "\n\t" else c.encode("unicode_escape").decode("ascii") for c in shown
        )
    return Html(html.escape(shown, quote=True))


def el(name: str, /, *children: object, **attributes: object) -> Html:
    """Return an element.

    Parameters
    ----------
    name : str
        Of the element.
    *children : object
        What stands in it: other elements, or texts, which are escaped. None is left out.
    **attributes : object
        ``class_`` stands for ``class``, other underscores for hyphens; True is an attribute without a
        value, None and False none at all.

    Examples
    --------
    >>> el("p", "1 < 2", el("br"), class_="note", hidden=True)
    '<p class="note" hidden>1 &lt; 2<br></p>'
    """
    parts = [name]
    for key, value in attributes.items():
        if value is None or value is False:
            continue
        spelled = key.rstrip("_").replace("_", "-")
        parts.append(spelled if value is True else f'{spelled}="{text(value)}"')
    start = f"<{' '.join(parts)}>"
    if name in _VOID:
        return Html(start)
    return Html(f"{start}{joined(*children)}</{name}>")


def joined(*children: object) -> Html:
    """Return several pieces one after the other; texts are escaped, None is left out."""
    return Html("".join(text(child) for child in children if child is not None))


class Styles:
    """Rules for single elements, gathered for the page's one ``<style>``: nothing else may style."""

    def __init__(self) -> None:
        self._names: dict[str, str] = {}

    def put(self, declarations: str) -> str:
        """Return the name of a class with these declarations (made by the page, of numbers only)."""
        return self._names.setdefault(declarations, f"s{len(self._names)}")

    def css(self) -> str:
        """Return all rules."""
        return "\n".join(f".{name} {{ {rule} }}" for rule, name in self._names.items())
