"""The cohort's page of the sample logs in a browser: drawn, read, pointed at, printed, and true to the database."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import NamedTuple

import polars as pl
import pytest
from playwright.sync_api import Browser

from flows.looking.report import run_report
from pipeline.marts import select
from pipeline.store import Home
from tests.pages.opened import PHONE, Opened

A4 = (688, 1000)  # px between the margins of a portrait sheet
SECTIONS = (
    "in-short",
    "holdings",
    "rate-by-month",
    "rate-by-ward",
    "leak-course",
    "stay",
    "delay",
    "handling",
    "quality",
    "drains",
)


class Written(NamedTuple):
    folder: Path
    ask: Callable[[str], pl.DataFrame]


@pytest.fixture(scope="module")
def written(loaded_samples: Home, tmp_path_factory: pytest.TempPathFactory) -> Written:
    folder, home = tmp_path_factory.mktemp("report"), loaded_samples
    run_report(home, folder / "out", most=2)
    return Written(folder / "out", lambda sql: select(home.database, sql, home.lake.root))


@pytest.fixture(scope="module")
def opened(browser: Browser, written: Written) -> Iterator[Opened]:
    """The page as opened, for tests that only look."""
    page = Opened(browser, written.folder / "index.html")
    yield page
    page.close()


def per_cent(value: float | None, unknown: str) -> str:
    return unknown if value is None else f"{100 * value:.1f} %"


def test_it_asks_for_nothing_and_complains_of_nothing(opened: Opened) -> None:
    assert opened.requests == []
    assert opened.complaints == []


def test_every_chart_is_drawn(opened: Opened) -> None:
    assert len(opened.charts) >= 12
    for name in opened.charts:
        assert opened.chart(name).get_attribute("data-drawn") == "yes", name
        assert opened.marks(name).count() > 0, name
        assert len(opened.chart(name).get_attribute("aria-label") or "") > 40, name


def test_each_section_opens_with_its_question_and_how_not_to_read_it(opened: Opened) -> None:
    for name in SECTIONS:
        section = opened.page.locator(f"section#{name}")
        assert section.locator("h2").count() == 1, name
        assert section.locator(".not-so").count() == 1, name
        if name != "in-short":
            assert section.locator(".question").inner_text().endswith("?"), name
    assert "inside the house" in opened.page.locator("#in-short").inner_text()


def test_nothing_stops_a_reader_who_hears_the_page_or_has_no_mouse(opened: Opened) -> None:
    opened.page.evaluate("document.querySelectorAll('details').forEach(d => d.open = true)")
    assert opened.violations() == []
    ids = opened.page.eval_on_selector_all("[id]", "all => all.map(one => one.id)")
    twice = sorted({one for one in ids if ids.count(one) > 1})
    assert twice == [], "an address on the page leads to two places"


def test_pointing_at_a_month_says_its_rate_and_what_it_is_of(opened: Opened, written: Written) -> None:
    month = written.ask("FROM prolonged_leak_chart WHERE site = 'lakeside' ORDER BY month").row(0, named=True)
    said = opened.hover("rate-by-month-0", "symbol")
    assert said["month"] == f"{month['month']:%Y-%m}"
    assert said["rate"] == per_cent(month["rate"], "not known")
    assert said["prolonged"] == f"{month['prolonged']} of {month['evaluable']} evaluable"
    assert said["unknown, not in the rate"] == f"{month['unknown']} of {month['counted']}"


def test_pointing_at_a_ward_and_at_a_curve_says_their_values(opened: Opened, written: Written) -> None:
    ward = written.ask(
        "FROM prolonged_leak_funnel WHERE rate IS NOT NULL ORDER BY evaluable DESC LIMIT 1"
    ).row(0, named=True)
    said = [
        opened.hover("funnel", "symbol", place) for place in range(opened.marks("funnel", "symbol").count())
    ]
    mine = next(s for s in said if s["ward"] == f"{ward['unit']} · {ward['site']}")
    assert mine["rate"] == per_cent(ward["rate"], "not known")
    first = written.ask("FROM leak_incidence WHERE site IS NULL ORDER BY hours LIMIT 1").row(0, named=True)
    curve = opened.hover("leak-end", "symbol")
    assert curve["leaks ended"] == per_cent(first["incidence"], "not known")
    assert curve["watched and leaking before"] == str(first["at_risk"])


def test_the_wards_of_the_table_are_those_of_the_database(opened: Opened, written: Written) -> None:
    rows = written.ask("FROM prolonged_leak_funnel ORDER BY site, unit").rows(named=True)
    shown = opened.table("#wards")
    assert [cells[:5] for cells in shown] == [
        [
            f"{row['unit'] or 'no ward named'} · {row['site']}",
            str(row["prolonged"]),
            str(row["evaluable"]),
            str(row["unknown"]),
            per_cent(row["rate"], "none evaluable"),
        ]
        for row in rows
    ]


def test_the_counts_of_drains_and_files_are_those_of_the_database(opened: Opened, written: Written) -> None:
    drains = written.ask(
        "SELECT site, count(*), count(*) FILTER (WHERE linked) FROM drain GROUP BY site ORDER BY site"
    )
    assert [[c[0], c[2], c[3]] for c in opened.table("#sites")] == [
        [str(v) for v in r] for r in drains.rows()
    ]
    files = written.ask(
        "SELECT count(*), count(*) FILTER (WHERE status = 'rejected'), sum(rows_read) FROM load_file"
    ).row(0)
    logs, papers = opened.table("#files"), opened.table("#papers")
    assert sum(int(c[1]) for c in logs) + sum(int(c[2]) for c in papers) == files[0]
    assert sum(int(c[4]) for c in logs) + sum(int(c[5]) for c in papers) == files[1]
    rows = [c[6] for c in logs] + [c[7] for c in papers]
    assert sum(int(row.replace(",", "")) for row in rows) == files[2]


def test_the_unknown_add_up_to_those_the_rates_leave_out(opened: Opened, written: Written) -> None:
    unknown = written.ask("SELECT sum(unknown) FROM prolonged_leak_rate").item()
    assert sum(int(cells[2]) for cells in opened.table("#unknown") if cells[1] == "unknown") == unknown


def test_the_share_still_leaking_at_the_threshold_is_the_views(opened: Opened, written: Written) -> None:
    rows = written.ask(
        "FROM leak_at_threshold WHERE definition = 'more_than_5_days' ORDER BY site IS NOT NULL, site"
    ).rows(named=True)
    assert [[c[0], c[1], c[3], c[5]] for c in opened.table("#at-threshold")] == [
        [
            row["site"] or "all sites",
            str(row["watched"]),
            per_cent(row["incidence"], "not known"),
            per_cent(row["still_leaking"], "not known"),
        ]
        for row in rows
    ]


def test_the_delays_of_the_table_are_those_of_the_drains(opened: Opened, written: Written) -> None:
    ready = written.ask(
        "SELECT rule, sum(drains), sum(ready), sum(removed_before_ready), sum(untold) FROM removal_delay "
        "GROUP BY rule ORDER BY rule"
    )
    assert [cells[:5] for cells in opened.table("#delays")] == [[str(v) for v in row] for row in ready.rows()]


def test_beside_the_delay_from_ready_for_good_stands_the_one_from_first_ready(
    opened: Opened, written: Written
) -> None:
    first = written.ask(
        "SELECT rule, median(epoch(tube_out_at - ready_at) / 3600) "
        "FILTER (WHERE ready_at < tube_out_at AND came_out(tube_out_at, removal_reason)) "
        "FROM readiness JOIN drain USING (drain_id) GROUP BY rule ORDER BY rule"
    )
    said = [["–" if hours is None else f"{hours:.1f}"] for _, hours in first.rows()]
    assert [cells[-1:] for cells in opened.table("#delays")] == said


def test_the_handling_of_a_ward_is_the_views(opened: Opened, written: Written) -> None:
    # All samples of a ward are of one month, so the view's own rates must be the page's.
    rows = written.ask("FROM handling ORDER BY site, unit, month").rows(named=True)
    assert [[c[0], c[1], c[3], c[4], c[5]] for c in opened.table("#handling-minutes")] == [
        [
            f"{row['unit'] or 'no ward named'} · {row['site']}",
            str(row["drains"]),
            f"{row['tilted_minutes_per_day']:.1f}",
            f"{row['pause_minutes_per_day']:.1f}",
            f"{row['shortfall_minutes_per_day']:.1f}",
        ]
        for row in rows
    ]
    assert [[c[3], c[6]] for c in opened.table("#handling-counts")] == [
        [str(row["alerts_left_ringing"]), str(row["clamps_left_on"])] for row in rows
    ]


def test_alerts_and_suspicions_add_up_to_those_of_the_database(opened: Opened, written: Written) -> None:
    kinds = written.ask(
        "SELECT code, sum(alerts), sum(left_ringing), sum(not_seen_to_clear) FROM alert_clearing "
        "GROUP BY code ORDER BY code"
    )
    assert [[c[0], c[1], c[3], c[4]] for c in opened.table("#alerts")] == [
        [code.replace("_", " "), *map(str, counts)] for code, *counts in kinds.rows()
    ]
    suspected = written.ask("SELECT sum(suspected) FROM suspected_occlusions").item()
    assert sum(int(cells[2]) for cells in opened.table("#handling-occlusions")) == suspected


def test_the_drains_it_names_have_pages(opened: Opened, written: Written) -> None:
    links = opened.page.eval_on_selector_all("#drains-table a", "all => all.map(a => a.getAttribute('href'))")
    assert len(links) == 2
    for link in links:
        assert 'href="../index.html"' in (written.folder / link).read_text(encoding="utf-8")


def test_the_keyboard_reaches_everything(open_page: Callable[..., Opened], written: Written) -> None:
    page = open_page(written.folder / "index.html").page
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.className") == "skip"
    page.keyboard.press("Enter")
    assert page.evaluate("document.activeElement.id") == "content"
    reachable = page.locator("main :is(a, summary, [tabindex='0']):visible").count()
    reached = set()
    for _ in range(reachable):
        page.keyboard.press("Tab")
        reached.add(
            page.evaluate("Array.from(document.querySelectorAll('main *')).indexOf(document.activeElement)")
        )
    assert len(reached - {-1}) == reachable
    folded = page.locator("details").first
    folded.locator("summary").focus()
    page.keyboard.press("Enter")
    assert folded.get_attribute("open") is not None


def test_a_phone_shows_the_whole_width(open_page: Callable[..., Opened], written: Written) -> None:
    opened = open_page(written.folder / "index.html", PHONE)
    assert opened.overflow() <= 0
    widest = max(
        opened.chart(name).locator("svg").bounding_box()["width"]  # type: ignore[index]
        for name in opened.charts
    )
    assert widest <= PHONE[0]


@pytest.mark.parametrize("scripts", [True, False])
def test_on_paper_nothing_is_cut(
    open_page: Callable[..., Opened], written: Written, tmp_path: Path, scripts: bool
) -> None:
    opened = open_page(written.folder / "index.html", A4, scripts=scripts)
    opened.page.emulate_media(media="print")
    for box in opened.page.locator("table, .chart svg").all():
        placed = box.bounding_box()
        if placed is not None:  # folded numbers are not printed
            assert placed["x"] + placed["width"] <= A4[0] + 1
    assert opened.printed(tmp_path / "page.pdf").read_bytes().count(b"/Type /Page\n") >= 4


def test_without_scripts_every_chart_stands_there_as_drawn_beforehand(
    open_page: Callable[..., Opened], written: Written
) -> None:
    opened = open_page(written.folder / "index.html", scripts=False)
    assert opened.page.locator(".chart svg").count() == opened.page.locator("[data-chart]").count() >= 12
