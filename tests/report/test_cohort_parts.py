"""Parts of the cohort's page: which drains are worth a look, how a row of a chart says that it is not known."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from pipeline.report.rate_by_month import rates_over_time
from pipeline.report.spans import spans
from pipeline.report.words import FINDINGS, REASONS, interval, per_cent, ward
from pipeline.report.worth_looking import worth_looking
from schemas.errors import CallError
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
    assert [one for one, _ in worth(cohort, 9)] == ["long", "leaks most", "clamped", "brief", "leaks"]
    assert [one for one, _ in worth(cohort, 2)] == ["long", "leaks most"]
    assert worth(cohort, 0) == []


def test_a_drain_with_two_reasons_comes_once_and_says_both(
    worth: Callable[[Cohort, int], list[tuple[str, str]]],
) -> None:
    cohort = Cohort().drains(drain("d", prolonged_leak="yes", leak_hours=150.0, leak_recurrences=2))
    cohort.put("period", [found("d", "occlusion_suspected", 45)])
    assert worth(cohort, 3) == [
        ("d", "occlusion suspected for 45 min; a leak beyond the threshold; the leak came back 2 times")
    ]


def test_a_clamp_that_staff_noted_and_a_brief_one_are_no_reason(
    worth: Callable[[Cohort, int], list[tuple[str, str]]],
) -> None:
    cohort = Cohort().drains(drain("noted"), drain("brief"))
    cohort.put("period", [found("noted", "clamped", 60, "annotated"), found("brief", "clamped", 15)])
    assert worth(cohort, 3) == []


def test_a_drain_without_a_log_has_nothing_to_look_at(
    worth: Callable[[Cohort, int], list[tuple[str, str]]],
) -> None:
    unseen = drain_row("d", at(1), minutes_observed=0, prolonged_leak="yes")
    assert worth(Cohort().drains(unseen), 3) == []


def test_each_reason_and_each_finding_has_words() -> None:
    assert set(REASONS) == set(OutcomeReason)
    assert set(FINDINGS) == set(DATA_QUALITY.column("finding").words)


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
    exported = [{"file_sha256": "a" * 64, "site": "lakeside", "exported_at": at(28, month=12)}]
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


def test_a_rule_that_is_none_is_said_with_those_there_are(tmp_path: Path) -> None:
    database = Cohort().publish(tmp_path / "drainledger.duckdb")
    with (
        asking(database) as ask,
        pytest.raises(CallError, match="no chart rule 'moon'; there are beyond_limits"),
    ):
        rates_over_time(ask, ["moon"])
