"""The shell of a page in a browser: nothing asked for, nothing complained of, charts alive and with a fallback."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import altair as alt
import polars as pl
import pytest

from pipeline.report import Col, Section, figure, page, table
from tests.pages.opened import PHONE, Opened

HOSTILE = "<img src=https://example.org/x.png onerror=alert(1)>"


@pytest.fixture
def trial(tmp_path: Path) -> Path:
    rows = pl.DataFrame({"x": [1, 2, 3], "y": [3.0, 4.0, 5.5], "ward": [HOSTILE, "</script>", "W" * 300]})
    chart = (
        alt.Chart(rows)
        .mark_point(size=200, filled=True)
        .encode(x="x:Q", y="y:Q", tooltip=["ward:N", "y:Q"])
        .properties(height=200)
    )
    numbers = table(rows, {"ward": Col("ward"), "y": Col("leak", digits=1)}, "Leak by ward", name="numbers")
    wide = figure("wide", chart.properties(width=1500), "A wide picture.", fits=False)
    sections = [
        Section("first", HOSTILE, figure("one", chart, HOSTILE, numbers=numbers), "What?"),
        Section("second", "W" * 300, wide),
    ]
    path = tmp_path / "trial.html"
    path.write_text(page(HOSTILE, HOSTILE, sections), encoding="utf-8")
    return path


def test_a_page_asks_for_nothing_and_draws_its_charts(open_page: Callable[..., Opened], trial: Path) -> None:
    opened = open_page(trial)
    assert opened.requests == []
    assert opened.complaints == []
    assert opened.marks("one", "symbol").count() == 3
    assert opened.chart("one").get_attribute("data-drawn") == "yes"


def test_pointing_at_a_mark_says_its_value_and_runs_nothing(
    open_page: Callable[..., Opened], trial: Path
) -> None:
    opened = open_page(trial)
    assert opened.hover("one", "symbol") == {"ward": HOSTILE, "y": "3"}
    assert opened.requests == []
    assert opened.complaints == []


def test_without_scripts_the_drawing_made_beforehand_stands_there(
    open_page: Callable[..., Opened], trial: Path
) -> None:
    opened = open_page(trial, scripts=False)
    assert opened.page.locator("figure#one svg").is_visible()


def test_a_request_from_within_is_refused_by_the_page_itself(
    open_page: Callable[..., Opened], trial: Path
) -> None:
    opened = open_page(trial)
    answer = opened.page.evaluate("fetch('https://example.org/').then(() => 'sent', () => 'refused')")
    assert answer == "refused"
    assert opened.requests == []  # the policy stops it before anything is asked
    assert any("Content Security Policy" in said for said in opened.complaints)


def test_nothing_stops_a_reader_who_hears_the_page_or_has_no_mouse(
    open_page: Callable[..., Opened], trial: Path
) -> None:
    assert open_page(trial).violations() == []


@pytest.mark.parametrize("scripts", [True, False])
def test_a_phone_shows_the_whole_width(open_page: Callable[..., Opened], trial: Path, scripts: bool) -> None:
    opened = open_page(trial, PHONE, scripts=scripts)
    assert opened.page.viewport_size == {"width": PHONE[0], "height": PHONE[1]}
    if scripts:
        assert opened.overflow() <= 0
    widest = opened.page.locator("main").bounding_box()
    assert widest is not None
    assert widest["width"] <= PHONE[0]
