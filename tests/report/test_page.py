"""The shell of a page: nothing put into it can run, and the same words give the same bytes."""

from __future__ import annotations

import re

import altair as alt
import polars as pl
import pytest
from markupsafe import Markup

from pipeline.report import Col, Section, figure, page, table
from pipeline.report.page import CAUTION

HOSTILE = '<script>alert("x")</script>\'"&</style>'


def _chart(zoom: bool = False) -> alt.Chart:
    rows = pl.DataFrame({"x": [1, 2], "y": [3, 4], "ward": [HOSTILE, "</script><b>"]})
    chart = (
        alt.Chart(rows)
        .mark_line(point=True, clip=True)
        .encode(x="x:Q", y="y:Q", color="ward:N", tooltip="ward")
    )
    return chart.add_params(alt.selection_interval(bind="scales")) if zoom else chart


def _page(zoom: bool = False) -> str:
    shown = figure("one", _chart(zoom), HOSTILE, HOSTILE)
    return page(HOSTILE, HOSTILE, [Section("a", HOSTILE, shown, HOSTILE, HOSTILE)], made_from=[HOSTILE])


def test_nothing_put_into_a_page_becomes_an_element_of_it() -> None:
    html = _page()
    assert "<script>alert" not in html
    assert "</style>'" not in html
    assert html.count("<script") == html.count("</script>") == 2  # the libraries, and the data of the chart


def test_the_same_words_give_the_same_bytes_though_the_library_counts_its_charts() -> None:
    assert _page(zoom=True) == _page(zoom=True)


def test_no_script_may_run_but_those_named_by_their_digest() -> None:
    policy = re.search(r'Content-Security-Policy" content="([^"]*)"', _page())
    assert policy is not None
    assert "default-src &#39;none&#39;" in policy[1]
    assert "unsafe-eval" not in policy[1]
    assert len(re.findall("sha256-", policy[1])) == 1


def test_a_page_without_charts_carries_no_library() -> None:
    html = page("T", "L", [Section("a", "A", Markup("<p>words</p>"))])
    assert len(html) < 20_000
    assert "script-src &#39;none&#39;" in html


def test_the_caution_stands_on_every_page() -> None:
    assert CAUTION in page("T", "L", [])


def test_the_libraries_are_on_a_page_once_however_many_charts_it_has() -> None:
    two = [Section("a", "A", figure("one", _chart(), "a") + figure("two", _chart(), "b"))]
    assert len(page("T", "L", two)) < len(_page()) + 100_000


def test_drawings_on_one_page_do_not_share_the_names_of_their_clips() -> None:
    names = re.findall(r'id="([^"]+)"', str(figure("one", _chart(), "a") + figure("two", _chart(), "b")))
    assert len(names) == len(set(names))


def test_a_script_that_would_end_its_own_element_is_refused() -> None:
    with pytest.raises(ValueError, match="end of a script element"):
        page("T", "L", [], script="'</script>'")


def test_what_is_not_known_is_said_and_zero_is_zero() -> None:
    rows = pl.DataFrame({"ward": ["A", "B"], "leaks": [0, None]})
    html = str(table(rows, {"ward": Col("ward"), "leaks": Col("leaks", null="never read")}, "Leaks"))
    assert ">0</td>" in html
    assert ">never read</td>" in html
