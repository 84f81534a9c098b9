"""The cohort's page stays true and readable where there is little, nothing, or nothing known; and with hostile names."""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path

import pytest

from tests.marts.busy_ward import busy_ward
from tests.marts.conftest import Cohort, at, drain_row
from tests.pages.opened import DESK, PHONE, Opened
from tests.support.asking import cohort_html

HOSTILE = (
    "<script>document.title='owned'</script>",
    "\"'><img src=x onerror=alert(1)>",
    "</script></style></title>",
    "W" * 400,
    "wörd 🫁 Ωμέγα",
    "\u202eקומה שלוש\u202c",
    "{{ 7 * 7 }} ${7*7} datum.x",
)
MADE = {"code_version": "1", "settings_digest": "d" * 64, "lake_versions": "{}", "built_at": at(1)}


def _operation(number: int, outcome: str, **more: object) -> tuple[dict[str, object], dict[str, object]]:
    """One operation with its one drain."""
    origin = at(1 + number % 28, 9, month=1 + number // 28)
    shared = {
        "prolonged_leak": outcome,
        "prolonged_leak_reason": "too_little_data" if outcome == "unknown" else None,
        "operation_id": f"O{number:03}",
        "site": "lakeside",
        "unit": "A",
        **more,
    }
    drain = drain_row(
        f"D{number:03}",
        origin,
        **shared,
        started_at=origin,
        ended_at=origin + timedelta(days=3),
        tube_in_at=origin,
        tube_out_at=origin + timedelta(days=3),
    )
    return {**shared, "origin_at": origin, "origin_day": origin.date(), "drains": 1}, drain


def _cohort(*pairs: tuple[dict[str, object], dict[str, object]]) -> Cohort:
    cohort = Cohort().put("provenance", [MADE])
    return cohort.operations(*(o for o, _ in pairs)).drains(*(d for _, d in pairs))


def _hostile() -> Cohort:
    rows = busy_ward(5, 80)
    for row in [*rows["drain"], *rows["operation"]]:
        place = int(row.get("drain_id", row["operation_id"])[1:])
        row["site"] = ("s" if place % 2 else "<b>site</b>") + HOSTILE[place % 2]
        row["unit"] = HOSTILE[place % len(HOSTILE)]
    for row in rows["load_file"]:
        row["site"] = HOSTILE[1]
    cohort = Cohort().put("provenance", [MADE])
    for name, some in rows.items():
        cohort.put(name, some)
    return cohort


@pytest.fixture(scope="module")
def hostile_database(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return _hostile().publish(tmp_path_factory.mktemp("hostile") / "drainledger.duckdb")


@pytest.fixture(scope="module")
def hostile(hostile_database: Path) -> Path:
    """A page whose sites and wards have hostile names."""
    path = hostile_database.with_name("page.html")
    path.write_text(cohort_html(hostile_database), encoding="utf-8")
    return path


@pytest.fixture
def page_of(tmp_path: Path) -> Callable[..., str]:
    def make(cohort: Cohort, rules: tuple[str, ...] = ()) -> str:
        return cohort_html(cohort.publish(tmp_path / "drainledger.duckdb"), rules)

    return make


@pytest.fixture
def shown(
    open_page: Callable[..., Opened], page_of: Callable[..., str], tmp_path: Path
) -> Callable[..., Opened]:
    def show(cohort: Cohort, size: tuple[int, int] = DESK) -> Opened:
        path = tmp_path / "page.html"
        path.write_text(page_of(cohort), encoding="utf-8")
        return open_page(path, size)

    return show


def test_an_empty_ledger_has_a_page_that_says_so(shown: Callable[..., Opened]) -> None:
    opened = shown(Cohort().put("provenance", [MADE]))
    text = opened.page.locator("body").inner_text()
    assert "No drain has been published in this ledger yet" in text
    for said in ("No drain has been counted yet", "No log has been loaded yet", "No outcome is unknown"):
        assert said in text
    assert opened.charts == []
    assert opened.complaints == opened.requests == []
    assert opened.violations() == []
    assert "nan" not in text.lower()
    assert "None" not in text


def test_one_drain_is_too_few_to_tell_anything(shown: Callable[..., Opened]) -> None:
    opened = shown(_cohort(_operation(1, "yes")))
    assert opened.complaints == []
    assert opened.table("#wards")[0][1:4] == ["1", "1", "0"]
    assert opened.table("#wards")[0][-1] == "yes"  # too few to tell
    assert opened.hover("rate-by-month-0", "symbol")["so it is"].endswith("too few to tell")


def test_where_all_is_unknown_there_is_no_rate_and_no_nought(shown: Callable[..., Opened]) -> None:
    opened = shown(_cohort(*(_operation(n, "unknown") for n in range(5))))
    brief = opened.page.locator("#in-short").inner_text()
    assert "0 of 0 evaluable" in brief
    assert "5 of 5 counted" in brief
    assert "0.0 %, or 100.0 %" in brief  # were they all no, or all yes
    wards = opened.table("#wards")[0]
    assert wards[1:5] == ["0", "0", "5", "none evaluable"]
    handling = opened.page.locator("#handling").inner_text()
    assert handling.count("Not known: no log here tells.") >= 4
    assert opened.complaints == []
    assert opened.violations() == []


def test_without_a_registry_drains_are_counted_and_wards_are_not_named(page_of: Callable[..., str]) -> None:
    drains = [
        drain_row(f"n{n}", at(n, 6), linked=False, prolonged_leak="no", ended_at=at(n + 2))
        for n in range(1, 9)
    ]
    html = page_of(Cohort().put("provenance", [MADE]).drains(*drains))
    assert "no ward named · lakeside" in html
    assert "0 with a registry row, 8 without" in html
    assert "No registry says when a tube went in and came out." in html
    assert "No tube is known to have come out," in html


def test_a_ledger_that_was_never_told_its_site_or_month_still_adds_up(page_of: Callable[..., str]) -> None:
    html = page_of(_cohort(_operation(1, "no")).drains(drain_row("x", None, linked=False)))
    assert "day not known" in html


def test_hostile_names_stand_as_they_are_and_do_nothing(
    open_page: Callable[..., Opened], hostile: Path
) -> None:
    opened = open_page(hostile)
    assert opened.page.title() == "All drains together · drainledger"
    assert opened.requests == opened.complaints == []
    text = opened.page.locator("main").inner_text()
    for name in HOSTILE[:3]:
        assert name in text
    assert opened.page.locator("main img, main b, main script:not([type])").count() == 0
    assert "{{ 7 * 7 }}" in text
    assert max(row.bounding_box()["height"] for row in opened.page.locator("#wards tr").all()) < 120  # type: ignore[index]
    assert opened.overflow() <= 0
    assert opened.violations() == []


def test_a_hostile_name_is_said_as_it_is_where_a_reader_points(
    open_page: Callable[..., Opened], hostile: Path
) -> None:
    opened = open_page(hostile)
    said = [opened.hover("funnel", "symbol", place)["ward"] for place in range(6)]
    assert any(name.startswith(HOSTILE[0]) for name in said)
    assert opened.complaints == opened.requests == []


def test_a_name_longer_than_a_phone_does_not_widen_the_page(
    open_page: Callable[..., Opened], hostile: Path
) -> None:
    assert open_page(hostile, PHONE).overflow() <= 0


def test_a_name_from_right_to_left_does_not_turn_the_sites_about(
    open_page: Callable[..., Opened], hostile: Path
) -> None:
    cells = open_page(hostile).page.locator("#wards tbody th").all_inner_texts()
    assert any(re.fullmatch(r"\u2068\u202eקומה שלוש\u202c\u2069 · <b>site</b>.*", cell) for cell in cells)


@pytest.mark.long
def test_the_same_database_gives_the_same_bytes(hostile_database: Path, hostile: Path) -> None:
    assert cohort_html(hostile_database) == hostile.read_text(encoding="utf-8")


def test_a_thousand_drains_fit_into_five_megabytes(page_of: Callable[..., str]) -> None:
    def page(drains: int) -> int:
        cohort = Cohort().put("provenance", [MADE])
        for name, rows in busy_ward(2, drains).items():
            cohort.put(name, rows)
        shares = [1 - (n + 1) / drains for n in range(drains)]
        for curve, more in (("leak_survival", {}), ("leak_incidence", {"competing": 0})):
            rows = [
                {
                    "site": None,
                    "hours": n + 0.25,
                    "at_risk": drains - n,
                    "ended": 1,
                    "censored": 0,
                    "still_leaking": share,
                    "incidence": 1 - share,
                    "low": share / 2,
                    "high": (1 + share) / 2,
                    **more,
                }
                for n, share in enumerate(shares)
            ]
            cohort.put(curve, rows)
        return len(page_of(cohort).encode())

    few, more = page(50), page(150)
    assert few + (more - few) / 100 * 950 < 5_000_000


def test_no_run_rule_marks_a_month_unless_it_is_asked_for(page_of: Callable[..., str]) -> None:
    pairs = [_operation(n, "yes" if n < 84 and n % 3 == 0 else "no") for n in range(196)]
    plain = page_of(_cohort(*pairs))
    asked = page_of(_cohort(*pairs), ("beyond_limits", "long_run"))
    assert "Rules that were asked for" not in plain
    assert "Rules that were asked for" in asked
    assert re.search(r"Months marked by the rules asked for: beyond_limits, long_run", asked)
