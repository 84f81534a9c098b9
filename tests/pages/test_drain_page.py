"""One drain's page in a browser: drawn, read minute by minute, zoomed by keys and buttons, printed, harmless."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from pathlib import Path
from typing import Any

import polars as pl
import pytest
from playwright.sync_api import Browser, Locator, Page

from pipeline.report.drain_clock import clock_of
from pipeline.report.drain_page import drain_page
from pipeline.report.table import Col, said
from tests.course.bedside import NOON, Use, at, course_as_told
from tests.pages.opened import PHONE, Opened
from tests.support.told_drain import ToldDrain

HOURS = 14
N = HOURS * 60
HOLE = range(300, 360)
HOSTILE = "</script><script>document.title='owned'</script><img src=x onerror=alert(1)>\"'&"


def _use(**more: Any) -> Use:
    told = {
        "leak": lambda t: 640.0 if t == 123 else 80.0 + t % 7 if t < 500 else 0.0,
        "tilt": lambda t: 41.5 if 200 <= t < 241 else 1.5,
        "mean": lambda t: -19.8 + (t % 5) / 10,
        "alerts": lambda t: ["line_leak"] if 50 <= t < 60 else [],
        "missing": HOLE,
        "traces": 5,
        "clock_step": lambda t: t == 700,
    }
    return Use(N, **{**told, **more})


@pytest.fixture(scope="module")
def drain() -> ToldDrain:
    """A leak that stops, 41 minutes of tilt, an hour's hole, a clock step, an alert; traces every 5 minutes."""
    return ToldDrain(
        course_as_told(_use()),
        days=[
            {"day": NOON.date(), "day_no": 0, "minutes_observed": 660, "leak_minutes": 500},
            {"day": NOON.date() + timedelta(days=1), "day_no": 1, "minutes_observed": 120},
        ],
        changes=[{"column": "leak_hours", "before": "7.9", "after": "8.3", "cause": "file"}],
        leak_ended_at=at(500),
        leak_hours=8.3,
    )


@pytest.fixture(scope="module")
def written(drain: ToldDrain, tmp_path_factory: pytest.TempPathFactory) -> Path:
    noted = pl.DataFrame(
        {"started_at": [at(610)], "ended_at": [at(640)], "kind": ["procedure"]},
        schema_overrides=dict.fromkeys(("started_at", "ended_at"), pl.Datetime("us", "UTC")),
    )
    return _written(drain, tmp_path_factory.mktemp("page"), zone="Europe/Zurich", annotations=noted)


def _written(drain: ToldDrain, folder: Path, **more: Any) -> Path:
    path = folder / "drain.html"
    path.write_text(drain_page(drain, drain.drain_id, **more), encoding="utf-8")
    return path


def _ready(opened: Opened) -> Opened:
    opened.page.wait_for_function("() => document.documentElement.dataset.strip === 'ready'", timeout=20_000)
    return opened


@pytest.fixture(scope="module")
def opened_once(written: Path, browser: Browser) -> Iterator[Opened]:
    opened = _ready(Opened(browser, written))
    yield opened
    opened.close()


@pytest.fixture
def strip(opened_once: Opened) -> Opened:
    """The page, its whole course shown."""
    opened_once.page.get_by_role("button", name="Whole course").click()
    return opened_once


def _told(page: Page) -> dict[str, str]:
    """What the page says of the minute pointed at."""
    found: dict[str, str] = page.eval_on_selector_all(
        "#strip-told div",
        "all => Object.fromEntries(all.map(d => [d.children[0].textContent, d.children[1].textContent]))",
    )
    return found


def _shown(page: Page) -> tuple[datetime, datetime]:
    ends = page.evaluate(
        "() => { const d = document.getElementById('strip').dataset; return [+d.from, +d.to]; }"
    )
    begin, end = (datetime.fromtimestamp(ms / 1000, UTC) for ms in ends)
    return begin, end


def _ground(page: Page, place: int) -> dict[str, float]:
    """Where a panel lies; the last is the bar of the whole course."""
    box = page.locator("#strip g.role-scope > g > path.background").nth(place).bounding_box()
    assert box is not None
    return box  # type: ignore[return-value]


def _point_at(page: Page, minute: int) -> None:
    begin, end = _shown(page)
    page.locator("#strip .chart").scroll_into_view_if_needed()
    panel = _ground(page, 0)
    share = (at(minute) + timedelta(seconds=30) - begin) / (end - begin)
    page.mouse.move(panel["x"] + share * panel["width"], panel["y"] + panel["height"] / 2)


def _point_at_tilt(opened: Opened) -> Locator:
    """The box that appears beside the band of tilt."""
    band = opened.chart("strip").locator("g.mark-rect.role-mark path[fill='#56B4E9']").first
    band.scroll_into_view_if_needed()
    box = band.bounding_box()
    assert box is not None
    opened.page.mouse.move(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2, steps=2)
    tip = opened.page.locator("#vg-tooltip-element.visible")
    tip.wait_for(timeout=3_000)
    return tip


def test_it_opens_from_a_folder_and_draws_every_panel(strip: Opened) -> None:
    assert strip.requests == []
    assert strip.complaints == []
    drawn = strip.marks("strip", "area").evaluate_all(
        "all => all.map(p => (p.getAttribute('d') || '').length)"
    )
    assert len(drawn) >= 8
    assert sum(length > 40 for length in drawn) >= 7
    lanes = strip.chart("strip").locator("text").all_text_contents()
    for lane in (
        "day",
        "device",
        "canister",
        "clock",
        "staff noted",
        "no data",
        "tilted",
        "leak on",
        "rings: leak in the line",
    ):
        assert lane in lanes


def test_what_it_says_of_a_minute_is_what_the_ledger_holds(strip: Opened, drain: ToldDrain) -> None:
    minutes = drain("SELECT * FROM minute ORDER BY minute")
    for minute in (5, 123, 220, 499, 703):
        _point_at(strip.page, minute)
        row = minutes.filter(pl.col("minute") == at(minute)).row(0, named=True)
        told = _told(strip.page)
        assert told["UTC"] == f"{at(minute):%Y-%m-%d %H:%M}"
        assert told["minute"].startswith(f"{at(minute + 60):%a %d %b %Y %H:%M}")
        for name, column, unit, digits in (
            ("pressure, mean", "pressure_mean_cmh2o", "cm[H2O]", 2),
            ("pressure, least", "pressure_min_cmh2o", "cm[H2O]", 2),
            ("pressure, greatest", "pressure_max_cmh2o", "cm[H2O]", 2),
            ("pressure ordered", "set_pressure_cmh2o", "cm[H2O]", 2),
            ("air leak", "air_leak_ml_min", "mL/min", 1),
            ("tilt", "tilt_deg", "deg", 1),
            ("swing", "swing_cmh2o", "cm[H2O]", 2),
            ("breaths", "breath_rate_per_min", "a minute", 1),
        ):
            value = row[column]
            assert told[name] == (
                f"{value:.{digits}f} {unit}".replace("-", "−")
                if value is not None
                else {"swing": "no trace shows one", "breaths": "no trace shows them"}[name]
            )
        assert ("tilted" in told["in force"]) == ("tilted" in row["flags"])
        assert ("leak on" in told["in force"]) == ("leak" in row["flags"])
    _point_at(strip.page, 220)
    assert _told(strip.page)["fluid so far"].startswith("at least")


def test_pointing_into_a_hole_tells_of_the_minute_beside_it_and_never_of_one_that_is_not(
    strip: Opened,
) -> None:
    _point_at(strip.page, 310)
    assert _told(strip.page)["UTC"] == f"{at(299):%Y-%m-%d %H:%M}"
    _point_at(strip.page, 352)
    assert _told(strip.page)["UTC"] == f"{at(360):%Y-%m-%d %H:%M}"


def test_no_line_is_drawn_across_a_hole(strip: Opened) -> None:
    begin, end = _shown(strip.page)
    hole = strip.marks("strip", "rect").first.bounding_box()
    panel = _ground(strip.page, 0)
    assert hole is not None
    assert hole["width"] == pytest.approx(panel["width"] * timedelta(hours=1) / (end - begin), abs=2)
    leak = strip.marks("strip", "area").first.get_attribute("d") or ""
    assert leak.count("M") == 2  # one piece before the hole, one after it


def test_buttons_keys_and_the_list_of_days_zoom(strip: Opened) -> None:
    page = strip.page
    whole = _shown(page)
    page.get_by_role("button", name="Closer").focus()
    page.keyboard.press("Enter")
    assert _shown(page)[1] - _shown(page)[0] == pytest.approx(
        (whole[1] - whole[0]) / 2, abs=timedelta(seconds=1)
    )
    page.get_by_role("button", name="Later").press("Space")
    assert _shown(page)[0] > whole[0]
    page.locator("select[data-go=day]").select_option(index=2)
    assert _shown(page)[0] == datetime(2031, 3, 10, 23, tzinfo=UTC)  # midnight there
    page.get_by_role("button", name="Whole course").click()
    assert _shown(page) == whole
    slider = page.locator("#strip-minute")
    slider.press("Home")
    slider.press("ArrowRight")
    assert _told(page)["UTC"] == f"{at(1):%Y-%m-%d %H:%M}"
    assert "leak" in (slider.get_attribute("aria-valuetext") or "")


def test_the_mouse_zooms_on_the_bar_and_pulls_the_strip(strip: Opened) -> None:
    page = strip.page
    page.locator("#strip .chart").scroll_into_view_if_needed()
    bar = _ground(page, -1)
    middle = bar["y"] + bar["height"] / 2
    begin, end = _shown(page)
    page.mouse.move(bar["x"] + bar["width"] * 0.25, middle)
    page.mouse.down()
    page.mouse.move(bar["x"] + bar["width"] * 0.5, middle, steps=3)
    page.mouse.up()
    page.wait_for_function("() => Number(document.getElementById('strip').dataset.draws) > 1")
    page.wait_for_timeout(100)
    zoomed = _shown(page)
    assert zoomed[0] == pytest.approx(begin + (end - begin) / 4, abs=timedelta(minutes=2))
    assert zoomed[1] == pytest.approx(begin + (end - begin) / 2, abs=timedelta(minutes=2))
    panel = _ground(page, 0)
    page.mouse.move(panel["x"] + 300, panel["y"] + 20)
    page.mouse.down()
    page.mouse.move(panel["x"] + 100, panel["y"] + 20, steps=2)
    page.mouse.up()
    page.wait_for_timeout(100)
    assert _shown(page)[0] > zoomed[0]
    assert _shown(page)[1] - _shown(page)[0] == pytest.approx(zoomed[1] - zoomed[0], abs=timedelta(seconds=1))


def test_a_period_of_the_table_leads_to_its_stretch(strip: Opened, drain: ToldDrain) -> None:
    page = strip.page
    page.get_by_role("button", name="Show on the strip: tilted").click()
    begin, end = _shown(page)
    tilted = drain("SELECT * FROM period WHERE kind = 'tilted'").row(0, named=True)
    assert begin < tilted["started_at"] < tilted["ended_at"] < end
    assert end - begin < timedelta(hours=3)
    assert _told(page)["UTC"] == f"{tilted['started_at']:%Y-%m-%d %H:%M}"
    assert page.evaluate("() => document.activeElement.id") == "strip-minute"


def test_a_band_says_what_it_is_when_pointed_at(strip: Opened) -> None:
    tip = _point_at_tilt(strip)
    assert "41 min" in tip.inner_text()
    assert "tilt up to 41.5 deg" in tip.inner_text()


def test_the_tables_hold_what_the_database_holds(strip: Opened, drain: ToldDrain) -> None:
    clock = clock_of("Europe/Zurich", drain.course.select("minute", "utc_offset_minutes"), [NOON, at(N)])
    stamp = "%Y-%m-%d %H:%M"
    rows = strip.table("#periods")
    periods = drain("SELECT * FROM period ORDER BY started_at, kind, ended_at")
    assert len(rows) == periods.height
    for row, period in zip(rows, periods.iter_rows(named=True), strict=True):
        assert row[1:3] == [clock.said(period["started_at"]), clock.said(period["ended_at"])]
        assert row[3] == f"{period['minutes']:,}"
        assert row[5] == (period["detail"] or "–")
        assert row[6:8] == [period["started_at"].strftime(stamp), period["ended_at"].strftime(stamp)]
        assert row[8] == f"drainledger explain {drain.drain_id[:12]} {clock.iso(period['started_at'])}"
    alerts = drain("SELECT * FROM alert ORDER BY started_at, code")
    assert [row[3] for row in strip.table("#alerts")] == [said(m, Col("")) for m in alerts["minutes"]]
    canisters = drain("SELECT * FROM canister ORDER BY canister_no")
    assert [row[4] for row in strip.table("#canisters")] == [said(v, Col("")) for v in canisters["volume_ml"]]
    days = drain("SELECT * FROM drain_day ORDER BY day")
    assert [row[0] for row in strip.table("#days")] == [str(day) for day in days["day"]]
    assert strip.table("#uses")[0][:2] == ["DV-0001", "17"]
    assert strip.table("#changes") == [["leak_hours", "7.9", "8.3", "file"]]
    assert strip.table("#notes")[0][0] == "procedure"


def test_it_reads_well_to_every_reader(strip: Opened) -> None:
    assert strip.violations() == []
    assert strip.overflow() <= 0
    alt = strip.chart("strip").get_attribute("aria-label") or ""
    assert "The leak stopped on day 0 (Mon 10 Mar, 21:20)" in alt
    assert "tilted 41 min" in alt
    assert "1 h are missing" in alt


def test_nothing_is_cut_on_a_phone_or_on_paper(
    written: Path, open_page: Callable[..., Opened], tmp_path: Path
) -> None:
    assert _ready(open_page(written, PHONE)).overflow() <= 0
    paper = _ready(open_page(written, (1017, 700)))  # A4 landscape within its margins
    paper.page.emulate_media(media="print")
    assert paper.overflow() <= 0
    box = paper.chart("strip").locator("svg").bounding_box()
    assert box is not None
    assert box["x"] >= 0
    assert box["x"] + box["width"] <= 1017
    # With its heading and how not to read it on one sheet, which is 688 px high within its margins.
    assert 300 < box["height"] < 540
    words = paper.chart("strip").locator("svg text").last.bounding_box()
    assert words is not None
    assert words["y"] + words["height"] <= box["y"] + box["height"] + 1
    assert not paper.page.locator(".strip-tools").is_visible()
    assert paper.printed(tmp_path / "drain.pdf").read_bytes()[:5] == b"%PDF-"


def test_without_scripts_the_words_and_the_tables_remain(
    written: Path, open_page: Callable[..., Opened]
) -> None:
    plain = open_page(written, scripts=False)
    assert plain.chart("strip").locator("svg text", has_text="tidaling present").count() == 1
    assert plain.chart("strip").get_attribute("aria-label").startswith("Strip of the whole course.")  # type: ignore[union-attr]
    assert plain.table("#periods")
    assert plain.page.locator("button:visible").count() == 0


def test_hostile_words_stay_words(open_page: Callable[..., Opened], tmp_path: Path) -> None:
    drain = ToldDrain(
        course_as_told(_use()), procedure=HOSTILE, unit=HOSTILE, site="lakeside", removal_reason=None
    )
    period = drain.frames["period"].with_columns(detail=pl.lit(HOSTILE))
    drain._engine.register("worse", period)
    drain._engine.execute("CREATE OR REPLACE TABLE period AS SELECT * FROM worse")
    opened = _ready(open_page(_written(drain, tmp_path)))
    assert opened.requests == []
    assert opened.complaints == []
    assert opened.page.title().startswith("Drain ")
    assert HOSTILE in opened.page.locator("header .lead").inner_text()
    assert opened.table("#periods")[0][5] == HOSTILE
    assert "<img" in _point_at_tilt(opened).inner_text()
    assert opened.page.locator("#vg-tooltip-element img, #vg-tooltip-element script").count() == 0
    assert opened.page.title().startswith("Drain ")


@pytest.mark.parametrize(
    ("use", "zone"),
    [
        pytest.param(Use(60), "Europe/Zurich", id="one hour only"),
        pytest.param(
            Use(
                90,
                leak=None,
                low=None,
                high=None,
                mean=None,
                volume=None,
                tilt=None,
                traces=lambda t: False,
                alerts=None,
            ),
            "Europe/Zurich",
            id="nothing assessable",
        ),
        pytest.param(
            Use(20 * 60, begin=datetime(2031, 10, 25, 14, tzinfo=UTC)),
            "Europe/Zurich",
            id="the night the clocks go back",
        ),
        pytest.param(Use(300, missing=range(1, 299)), None, id="two minutes and a hole"),
    ],
)
def test_odd_courses_are_drawn_too(
    use: Use, zone: str | None, open_page: Callable[..., Opened], tmp_path: Path
) -> None:
    opened = _ready(open_page(_written(ToldDrain(course_as_told(use)), tmp_path, zone=zone)))
    assert opened.complaints == []
    assert opened.page.get_by_role("button", name="Closer").is_enabled()
    opened.page.get_by_role("button", name="Closer").click()
    assert opened.complaints == []


def test_a_day_of_25_hours_has_its_hours_on_the_axis(
    open_page: Callable[..., Opened], tmp_path: Path
) -> None:
    use = Use(20 * 60, begin=datetime(2031, 10, 25, 14, tzinfo=UTC))
    opened = _ready(open_page(_written(ToldDrain(course_as_told(use)), tmp_path, zone="Europe/Zurich")))
    ticks = opened.page.evaluate("() => window.drainledger.views.strip.signal('ticks')")
    hours = [datetime.fromtimestamp(ms / 1000, UTC) for ms in ticks]
    steps = {b - a for a, b in pairwise(hours)}
    assert steps == {timedelta(hours=2), timedelta(hours=3)}  # 02:00 came twice
    assert "Sun 26 Oct" in opened.chart("strip").locator("text").all_text_contents()
