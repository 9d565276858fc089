"""The page about gates: read with markdown-it, a general reader of CommonMark with tables."""

from __future__ import annotations

from html.parser import HTMLParser

from hypothesis import given
from hypothesis import strategies as st
from markdown_it import MarkdownIt

from cloudprep.config import Gate
from cloudprep.judging import FailedInput, Judged, Judgement, judge
from cloudprep.judging.markdown import MOST_ROWS, gates_markdown, rows_of
from cloudprep.judging.words import plain
from cloudprep.model.figures import FIGURES


class _Page(HTMLParser):
    """Text of headings, cells and items, and every tag there is."""

    def __init__(self, markdown: str) -> None:
        super().__init__()
        self.tags: set[str] = set()
        self.texts: list[tuple[str, str]] = []
        self.feed(MarkdownIt("commonmark").enable("table").render(markdown))

    def handle_starttag(self, tag: str, attrs: object) -> None:
        self.tags.add(tag)
        self.texts.append((tag, ""))

    def handle_data(self, data: str) -> None:
        if self.texts:
            tag, text = self.texts[-1]
            self.texts[-1] = (tag, text + data)

    def of(self, tag: str) -> list[str]:
        return [text.strip() for name, text in self.texts if name == tag]


_TAGS = {"h3", "table", "thead", "tbody", "tr", "th", "td", "ul", "li", "p"}


def test_the_page_sums_up_and_has_a_row_for_every_gate(judged: Judgement) -> None:
    page = _Page(gates_markdown(judged))
    assert page.of("h3") == [
        "Gates: 3 failed, 2 with a warning, 4 passed, 3 not judged, 1 input failed",
    ]
    assert page.of("th") == ["gate", "flight", "value", "limit", "outcome"]
    cells = page.of("td")
    assert len(cells) == 5 * len(judged.gates)
    rows = [tuple(cells[i : i + 5]) for i in range(0, len(cells), 5)]
    assert rows[0] == ("ground.share", "whole run", "0.3", "at least 0.1", "passed")
    assert rows[1] == ("noise.share: birds & <dust> | told", "whole run", "0.02", "at most 0.01", "warning")
    assert rows[2][4].startswith("FAILED: no stage gave the figure 'voids.count'")
    assert rows[5][1:] == (
        "broken.laz",
        "none",
        "between 4 and 100 per m2",
        "not judged: the input failed",
    )
    assert page.of("li") == ["broken.laz: cut short"]
    assert page.tags <= _TAGS


def test_an_odd_name_is_shown_as_it_is(judged: Judgement, odd: str) -> None:
    page = _Page(gates_markdown(judged))
    assert plain(odd.rpartition("/")[2]) in page.of("td")


def test_names_of_figures_stay_readable_where_nobody_renders_them() -> None:
    gates = [Gate(figure="header.point_format", at_least=1)]
    text = gates_markdown(Judgement(judge(gates, Judged({"header.point_format": 6.0}))))
    assert "| header.point_format | whole run | 6 | at least 1 | passed |" in text


_NAMES = st.text(st.characters(), min_size=1) | st.text("a_*1 `-.|\\\\[]()~$é", min_size=1)


@given(name=_NAMES.map(lambda t: t.strip("/ ") or "x"))
def test_no_name_breaks_the_table(name: str) -> None:
    gates = [Gate(figure="a", at_least=1, per="flight")]
    judgement = Judgement(
        gates=judge(gates, Judged(), [Judged({"a": 0.0}, name)]),
        failed=[FailedInput(flight="other", reason=name)],
        flights=[name],
    )
    page = _Page(gates_markdown(judgement))
    assert page.tags <= _TAGS
    assert len(page.of("td")) == 5
    assert page.of("li") == [f"other: {plain(name)}".strip()]


def test_many_flights_share_rows_and_none_that_failed_goes_uncounted() -> None:
    gates = [
        Gate(figure="points.density", at_least=4, per="flight"),
        Gate(figure="points.count", at_least=1),
        Gate(figure="ground.share", at_least=0.5, per="flight"),
    ]
    flights = [
        Judged({"points.density": 3.0 + 2 * (i != 7), "ground.share": i / 200}, f"f{i:03}.laz")
        for i in range(200)
    ]
    found = judge(gates, Judged({"points.count": 9.0}), flights, FIGURES)
    judgement = Judgement(gates=found, flights=[f.flight for f in flights])
    rows = rows_of(judgement)
    assert len(rows) <= MOST_ROWS
    assert rows[:3] == [
        ("points.density", "f007.laz", "3 per m2", "at least 4 per m2", "FAILED"),
        ("points.density", "199 of 200 flights", "5 per m2", "at least 4 per m2", "passed"),
        ("points.count", "whole run", "9", "at least 1", "passed"),
    ]
    shares = rows[3:]
    single = [row for row in shares if row[1].startswith("f")]
    assert all(row[4] == "FAILED" for row in single)
    assert shares[-2][1] == f"{100 - len(single)} more flights"
    assert shares[-2][4] == "did not pass"
    assert shares[-1] == ("ground.share", "100 of 200 flights", "0.5 to 0.995", "at least 0.5", "passed")
