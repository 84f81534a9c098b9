"""Parts of the cohort's page: which drains are worth a look, how a row of a chart says that it is not known."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from pipeline.report.delays import ready_to_removed
from pipeline.report.files_held import files_held, log_reach
from pipeline.report.handling import handling_by_ward
from pipeline.report.leak_course import leak_course
from pipeline.report.leak_curves import within_band
from pipeline.report.quality import data_quality
from pipeline.report.rate_by_month import p_chart, rates_over_time
from pipeline.report.rate_by_ward import funnel_names
from pipeline.report.spans import spans
from pipeline.report.stay import output_and_stay
from pipeline.report.words import REASONS, interval, per_cent, ward
from pipeline.report.worth_looking import worth_looking
from schemas.errors import CallError
from schemas.findings import FINDINGS
from schemas.published import DATA_QUALITY
from schemas.vocabulary import OutcomeReason
from tests.marts.conftest import Cohort, at, drain_row
from tests.support.asking import asking


def drain(drain_id: str, **more: Any) -> dict[str, Any]:
    return drain_row(drain_id, at(1), started_at=at(1), minutes_observed=1440, **more)


def found(drain_id: str, kind: str, minutes: int, grade: str | None = None) -> dict[str, Any]:
    return {
        "drain_id": drain_id,
        "kind": kind,
        "started_at": at(1),
        "ended_at": at(2),
        "minutes": minutes,
        "grade": grade,
    }


@pytest.fixture
def worth(tmp_path: Path) -> Callable[[Cohort, int], list[tuple[str, str]]]:
    def ask(cohort: Cohort, most: int) -> list[tuple[str, str]]:
        with asking(cohort.publish(tmp_path / "drainledger.duckdb")) as asked:
            return worth_looking(asked, most).select("drain_id", "why").rows()

    return ask


def test_reasons_take_turns_and_the_clearest_of_each_comes_first(
    worth: Callable[[Cohort, int], list[tuple[str, str]]],
) -> None:
    cohort = Cohort().drains(
        drain("brief"),
        drain("long"),
        drain("leaks", prolonged_leak="yes", leak_hours=140.0),
        drain("leaks most", prolonged_leak="yes", leak_hours=200.0),
        drain("clamped"),
        drain("plain"),
    )
    cohort.put(
        "period", [found("brief", "occlusion_suspected", 40), found("long", "occlusion_suspected", 300)]
    )
    cohort.put("period", [found("clamped", "clamped", 50)])
    assert [one for one, _ in worth(cohort, 9)] == ["clamped", "long", "brief", "leaks most", "leaks"]
    assert [one for one, _ in worth(cohort, 2)] == ["clamped", "long"]
    assert worth(cohort, 0) == []


def test_a_drain_with_two_reasons_comes_once_and_says_both(
    worth: Callable[[Cohort, int], list[tuple[str, str]]],
) -> None:
    cohort = Cohort().drains(drain("d", prolonged_leak="yes", leak_hours=150.0, leak_recurrences=2))
    cohort.put("period", [found("d", "occlusion_suspected", 45)])
    assert worth(cohort, 3) == [
        ("d", "the leak came back 2 times; occlusion suspected for 45 min; a leak beyond the threshold")
    ]


def noted(drain_id: str, minutes: int, against: int) -> dict[str, object]:
    return {
        "drain_id": drain_id,
        "kind": "confirmed_occlusion",
        "started_at": at(1),
        "minutes": minutes,
        "minutes_against_log": against,
    }


def test_a_blocked_tube_that_only_staff_noted_is_told_as_noted_without_what_the_log_contradicts(
    worth: Callable[[Cohort, int], list[tuple[str, str]]],
) -> None:
    cohort = Cohort().drains(drain("open"), drain("shut"), drain("both"))
    cohort.put(
        "period",
        [
            found("open", "occlusion_suspected", 60, "annotated"),
            found("shut", "occlusion_suspected", 60, "annotated"),
            found("both", "occlusion_suspected", 60, "annotated"),
            found("both", "occlusion_suspected", 40, "probable") | {"started_at": at(2), "ended_at": at(3)},
        ],
    )
    cohort.put("annotation", [noted("open", 60, 60), noted("shut", 60, 10), noted("both", 60, 0)])
    assert worth(cohort, 9) == [
        ("both", "occlusion suspected for 40 min, graded probable"),
        ("shut", "a blocked tube that staff noted, 50 min"),
    ]


def test_a_clamp_that_staff_noted_and_a_brief_one_are_no_reason(
    worth: Callable[[Cohort, int], list[tuple[str, str]]],
) -> None:
    cohort = Cohort().drains(drain("noted"), drain("brief"))
    cohort.put("period", [found("noted", "clamped", 60, "annotated"), found("brief", "clamped", 15)])
    assert worth(cohort, 3) == []


def test_tilt_and_unknown_outcomes_do_not_fill_the_list(
    worth: Callable[[Cohort, int], list[tuple[str, str]]],
) -> None:
    lying = [drain(f"t{n}", tilted_minutes=100 + n, tilt_known_minutes=1000) for n in range(9)]
    unknown = [
        {**drain(f"u{n}"), "prolonged_leak": "unknown", "prolonged_leak_reason": "still_in"} for n in range(9)
    ]
    chosen = worth(
        Cohort().drains(*lying, *unknown, drain("leaks", prolonged_leak="yes", leak_hours=140.0)), 8
    )
    assert [one[0] for one, _ in chosen] == ["l", "t", "t", "u", "u"]


def test_what_is_worth_a_talk_at_the_bedside_stands_before_what_a_desk_settles(
    worth: Callable[[Cohort, int], list[tuple[str, str]]],
) -> None:
    def unknown(drain_id: str, reason: str, **more: Any) -> dict[str, Any]:
        row = {**drain(drain_id), "prolonged_leak": "unknown", "prolonged_leak_reason": reason}
        return {**row, **more}

    cohort = Cohort().drains(
        drain("tilted", tilted_minutes=700, tilt_known_minutes=1000),
        drain("possible"),
        drain("contradicted"),
        drain("blocked"),
        drain("long", prolonged_leak="yes", leak_hours=150.0),
        unknown("thin", "too_little_data"),
        unknown("missing", "no_log", minutes_observed=0, started_at=None),
        unknown("open", "still_in"),
        unknown("settled", "died"),
    )
    cohort.put(
        "period",
        [
            found("blocked", "occlusion_suspected", 40, "probable"),
            found("possible", "occlusion_suspected", 300, "possible"),
        ],
    )
    cohort.put(
        "data_quality",
        [{"drain_id": "contradicted", "finding": "log_outside_drain", "minutes": 90}],
        scope="registry",
    )
    assert worth(cohort, 20) == [
        ("blocked", "occlusion suspected for 40 min, graded probable"),
        ("possible", "occlusion suspected for 300 min"),
        ("long", "a leak beyond the threshold"),
        ("tilted", "tilted for 70.0 % of the time"),
        ("contradicted", "registry and log contradict each other: a log outside its drain's dates"),
        ("open", "outcome unknown, paper may tell: perhaps still in"),
        ("missing", "outcome unknown: no log came"),
        ("thin", "outcome unknown, a fuller log may tell: too few minutes in which a leak could be judged"),
    ]


def test_each_reason_and_each_finding_has_words() -> None:
    assert set(REASONS) == set(OutcomeReason)
    finding = DATA_QUALITY.column("finding")
    assert tuple(FINDINGS) == finding.words
    assert all(f"{word}: {meaning}" in finding.comment for word, meaning in FINDINGS.items())


def test_no_rate_is_said_to_be_unknown_and_nought_is_nought() -> None:
    rows = pl.DataFrame({"rate": [0.0, None], "low": [0.0, None], "high": [0.5, None]})
    assert rows.select(per_cent("rate"))["literal"].to_list() == ["0 %", "not known"]
    assert rows.select(said=interval("low", "high"))["said"].to_list() == ["0 to 50 %", "none"]


def test_only_a_name_that_turns_text_about_is_kept_apart() -> None:
    rows = pl.DataFrame({"unit": ["A", None, "שלוש"], "site": ["s", "s", "s"]})
    assert rows.select(ward())["ward"].to_list() == ["A · s", "no ward named · s", "\u2068שלוש\u2069 · s"]


def test_a_row_without_a_value_says_so_where_its_mark_would_be() -> None:
    rows = pl.DataFrame({"ward": ["A", "B"], "value": [1.5, None]})
    drawn = spans(rows, "ward", "value", "minutes", {"ward": "ward"}).to_dict()
    data = drawn["datasets"]
    texts = [layer for layer in drawn["layer"] if layer["mark"]["type"] == "text"]
    assert texts[0]["mark"]["text"] == "not known"
    assert [row["ward"] for row in data[texts[0]["data"]["name"]]] == ["B"]
    bars = next(layer for layer in drawn["layer"] if layer["mark"]["type"] == "bar")
    assert [row["ward"] for row in data[bars["data"]["name"]]] == ["A"]


def test_what_reaches_beyond_the_axis_is_cut_and_says_how_far() -> None:
    rows = pl.DataFrame({"ward": ["A", "B"], "v": [1.0, 2.0], "lo": [0.5, 0.0], "hi": [3.0, 417.0]})
    drawn = spans(rows, "ward", "v", "per 100 days", {"ward": "ward"}, low="lo", high="hi", top=4.0).to_dict()
    data = drawn["datasets"]
    arrows = [
        row for layer in drawn["layer"] for row in data.get(layer["data"]["name"], []) if "beyond" in row
    ]
    assert [(row["ward"], row["beyond"]) for row in arrows] == [("B", "to 417 →")]
    bars = next(layer for layer in drawn["layer"] if layer["mark"]["type"] == "bar")
    assert [row["hi"] for row in data[bars["data"]["name"]]] == [3.0, 4.0]


def test_the_number_behind_a_row_stands_below_its_name() -> None:
    rows = pl.DataFrame({"ward": ["A\"'</b>"], "v": [1.0], "n": ["n 3 days"]})
    drawn = str(spans(rows, "ward", "v", "minutes", {"ward": "ward"}, below="n").to_dict())
    assert "n 3 days" in drawn


def test_wards_at_one_spot_are_named_together_and_of_many_only_those_outside() -> None:
    few = pl.DataFrame(
        {"ward": ["A", "B", "C"], "evaluable": [10, 10, 40], "rate": [0.1, 0.1, 0.3], "outside_998": False}
    )
    assert set(funnel_names(few, 45.0, 0.5)["said"]) == {"A; B", "C"}
    many = pl.DataFrame(
        {
            "ward": [f"W{n}" for n in range(20)],
            "evaluable": list(range(10, 30)),
            "rate": [0.1] * 19 + [0.4],
            "outside_998": [False] * 19 + [True],
        }
    )
    assert funnel_names(many, 45.0, 0.5)["said"].to_list() == ["W19"]


def test_a_registry_makes_no_silent_site_look_fresh_and_an_empty_file_is_no_log(tmp_path: Path) -> None:
    def file(sign: str, **more: Any) -> dict[str, Any]:
        return {"file_sha256": sign * 64, "status": "loaded", "rows_read": 9, "loaded_at": at(28), **more}

    cohort = Cohort().put(
        "load_file",
        [
            file("a", profile="v1", site="lakeside", device="DV-0001", exported_at=at(3)),
            file("b", profile="v1", site="lakeside", device="DV-0001", exported_at=at(9), status="withdrawn"),
            file("c", profile="drain-registry", site="lakeside", exported_at=at(20), rows_read=5),
            file("d", profile="drain-annotations", site="lakeside", exported_at=at(21), rows_read=2),
            file("e", rows_read=0),
            file("f", rows_read=0, status="rejected"),
            file("0", profile="v1", site="lakeside", rows_read=0, status="rejected"),
        ],
        rows_kept=0,
        rows_rejected=0,
    )
    with asking(cohort.publish(tmp_path / "drainledger.duckdb")) as ask:
        logs, papers = map(_cells, files_held(ask))
        assert log_reach(ask) == (at(3), 1)
    assert logs == [["lakeside", "3", "1", "0", "1", "1", "18", "0", "2031-03-03 00:00"]]
    assert [(row[0], row[1], row[7]) for row in papers] == [
        ("registry of drains", "lakeside", "5"),
        ("notes by staff", "lakeside", "2"),
        ("a file nobody could tell what it is", "several, or not told", "0"),
        ("a file without rows", "several, or not told", "0"),
    ]


def _cells(html: Any) -> list[list[str]]:
    body = str(html).split("<tbody>")[1]
    return [re.findall(r"<t[hd][^>]*>([^<]*)</t[hd]>", row) for row in body.split("<tr>")[1:]]


def test_a_month_outside_its_limits_is_named_in_the_words_of_the_picture(tmp_path: Path) -> None:
    operations = []
    for month, prolonged in ((1, 4), (2, 5), (3, 4), (4, 5), (5, 40)):
        for number in range(60):
            origin = at(1 + number % 28, month=month)
            operations.append(
                {
                    "operation_id": f"{month}-{number}",
                    "origin_at": origin,
                    "origin_day": origin.date(),
                    "prolonged_leak": "yes" if number < prolonged else "no",
                }
            )
    exported = [
        {"file_sha256": "a" * 64, "site": "lakeside", "device": "DV-0001", "exported_at": at(28, month=12)}
    ]
    cohort = Cohort().operations(*operations).drains(drain("d", operation_id="1-0", ended_at=at(2)))
    told = {"status": "loaded", "rows_read": 1, "rows_kept": 1, "rows_rejected": 0}
    cohort.put("load_file", exported, **told, loaded_at=at(28, month=12))
    cohort.put(
        "chart_baseline",
        [{"site": "lakeside", "from_month": at(1, month=1).date(), "through_month": at(1, month=4).date()}],
        why="before the new stapler",
    )
    with asking(cohort.publish(tmp_path / "drainledger.duckdb")) as ask:
        body = str(rates_over_time(ask).body)
    assert "outside their limits: 2031-05." in body
    assert "(set by hand), 18 of 240 prolonged." in body


def test_a_baseline_without_a_long_leak_says_why_no_limits_are_drawn(tmp_path: Path) -> None:
    with asking(
        Cohort().drains(drain("d", ended_at=at(6, month=4))).publish(tmp_path / "drainledger.duckdb")
    ) as ask:
        body = str(rates_over_time(ask).body)
    assert "0 of 1 prolonged. That says nothing about chance: no limits are drawn" in body
    assert "not to be relied on" not in body


def test_medians_of_few_tubes_are_drawn_open_with_their_number(tmp_path: Path) -> None:
    def out(drain_id: str, unit: str) -> dict[str, Any]:
        return drain(drain_id, unit=unit, tube_in_at=at(1), tube_out_at=at(3))

    few, ten = out("few", "B"), [out(f"d{number}", "A") for number in range(10)]
    ready = {"rule": "r", "ready_at": at(2), "ready_since_at": at(2), "hours_ready_before_removal": 24.0}
    for number, (rows, opened) in enumerate(((ten, False), ([*ten, few], True))):
        cohort = Cohort().drains(*rows)
        cohort.put(
            "readiness",
            [{**ready, "drain_id": row["drain_id"], "removed_before_ready": False} for row in rows],
        )
        with asking(cohort.publish(tmp_path / f"{number}.duckdb")) as ask:
            stay, delay = str(output_and_stay(ask).body), str(ready_to_removed(ask).body)
        assert ("Open marks: fewer than 10 such tubes (n)" in stay) is opened
        assert "n 10 out" in stay
        assert f"n {len(rows)} ready" in delay
        assert "Open marks" not in delay


def test_a_rule_that_is_none_is_said_with_those_there_are(tmp_path: Path) -> None:
    database = Cohort().publish(tmp_path / "drainledger.duckdb")
    with (
        asking(database) as ask,
        pytest.raises(CallError, match="no chart rule 'moon'; there are beyond_limits"),
    ):
        rates_over_time(ask, ["moon"])


def test_a_file_that_breaks_off_cost_a_part_and_one_that_fits_no_profile_all_of_it(tmp_path: Path) -> None:
    cohort = Cohort()
    for file, status, kept, rule in (
        ("a", "partial", 2542, "gzip_cut_off"),
        ("b", "rejected", 0, "no_profile"),
    ):
        cohort.put(
            "load_file",
            [{"file_sha256": file * 64, "status": status, "rows_kept": kept, "rows_read": kept + 1}],
            rows_rejected=1,
            loaded_at=at(2),
        )
        cohort.put("rejected_row", [{"file_sha256": file * 64, "scope": "file", "rule": rule}])
    with asking(cohort.publish(tmp_path / "drainledger.duckdb")) as asked:
        rows = _rows_of(data_quality(asked).body, "rules")
    assert [row[:3] for row in rows] == [
        ["gzip cut off", "–", "the file, in part"],
        ["no profile", "–", "the file"],
    ]


def test_a_long_silence_is_told_in_days_and_a_short_stretch_in_minutes(tmp_path: Path) -> None:
    cohort = Cohort()
    for finding, minutes in (("minutes_without_drain", 90), ("site_silent", 18720)):
        cohort.put("data_quality", [{"scope": "site", "site": "s", "finding": finding, "minutes": minutes}])
    with asking(cohort.publish(tmp_path / "drainledger.duckdb")) as asked:
        rows = _rows_of(data_quality(asked).body, "findings")
    assert [row[-1] for row in rows] == ["90 min", "13.0 days"]


def _rows_of(html: str, name: str) -> list[list[str]]:
    """The rows of a table on a page."""
    (inside,) = re.findall(rf'id="{name}".*?<tbody>(.*?)</tbody>', html, re.S)
    rows = re.findall(r"<tr>(.*?)</tr>", inside, re.S)
    return [re.findall(r"<t[hd][^>]*>\s*(.*?)\s*</t[hd]>", row, re.S) for row in rows]


def test_a_wards_occlusions_stand_on_the_drains_that_could_show_one(tmp_path: Path) -> None:
    cohort = Cohort().drains(drain("told", unit="A", occlusion_minutes=0), drain("mute", unit="A"))
    with asking(cohort.publish(tmp_path / "drainledger.duckdb")) as ask:
        body = handling_by_ward(ask).body
    assert "n 1.0 days, 1 of 2 drains" in body


def test_a_curve_is_drawn_firm_only_as_far_as_its_band_goes() -> None:
    rows = pl.DataFrame({"hours": [0.0, 50.0, 150.0], "still_leaking": [0.7, 0.2, 0.0]})
    for band, firm, faint in (
        ([0.4, 0.1, None], [0, 50], [50, 150]),
        ([None, 0.1, 0.1], [0, 50, 150], [150]),
        ([None, None, None], [0], [0, 50, 150]),
    ):
        low = pl.Series("still_low", band, dtype=pl.Float64)
        assert [part["hours"].to_list() for part in within_band(rows.with_columns(low))] == [firm, faint]


def test_the_line_of_all_sites_has_its_place_in_the_legend(tmp_path: Path) -> None:
    cohort = Cohort()
    for site in (None, "lakeside", "north"):
        step = {"site": site, "hours": 5.0, "at_risk": 4, "ended": 1, "censored": 0}
        cohort.put("leak_incidence", [{**step, "competing": 0, "incidence": 0.25}])
        cohort.put("leak_survival", [{**step, "still_leaking": 0.75}])
    with asking(cohort.publish(tmp_path / "drainledger.duckdb")) as ask:
        body = str(leak_course(ask).body)
    assert '"domain":["all sites","lakeside","north"]' in body.replace(" :", ":").replace(": ", ":").replace(
        ", ", ","
    )


def test_baseline_months_are_named_above_the_chart_and_not_drawn_as_rates_of_nought() -> None:
    months = pl.DataFrame(
        {
            "month": [at(1), at(1, month=4)],
            "in_baseline": [True, False],
            "outside": [False, False],
            "provisional": [False, False],
            "too_small": [False, False],
            "prolonged": [1, 2],
            "evaluable": [20, 20],
            "counted": [20, 20],
            "unknown": [0, 0],
            **{key: [0.1, 0.1] for key in ("rate", "centre", "low", "high", "if_no", "if_yes", "limit_low")},
            "limit_high": [0.3, 0.3],
        }
    ).with_columns(pl.col("month").dt.date())
    layers = p_chart(months).to_dict()["layer"]
    (words,) = [layer for layer in layers if layer["mark"].get("text") == "baseline months"]
    marks = [layer for layer in layers if "in_baseline" in str(layer.get("transform"))]
    assert [layer["encoding"]["y"]["value"] < 0 for layer in (words, *marks)] == [True, True]
