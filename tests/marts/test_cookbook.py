"""The cookbook: every query opens with its question, runs, and answers it."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from pipeline.marts import select
from shared import SHARED

QUERIES = sorted((SHARED / "sql").glob("*.sql"))
MARCH = datetime(2031, 3, 10, tzinfo=UTC)


def drain(drain_id, unit, **more):
    row = {
        "drain_id": drain_id,
        "site": "lakeside",
        "unit": unit,
        "linked": True,
        "shared_use": False,
        "uses": 1,
        "minutes_observed": 14400,
        "prolonged_leak": "no",
        "origin_at": MARCH,
        "origin_day": MARCH.date(),
        "tube_out_at": MARCH + timedelta(days=10),
    }
    return {**row, **more}


def answer(cohort, tmp_path, name):
    target = cohort.publish(tmp_path / "drainledger.duckdb")
    return select(target, (SHARED / "sql" / f"{name}.sql").read_text(encoding="utf-8"), tmp_path)


@pytest.mark.parametrize("query", QUERIES, ids=lambda q: q.stem)
def test_every_query_opens_with_its_question_and_runs_on_an_empty_ledger(nothing, tmp_path, query):
    first = query.read_text(encoding="utf-8").splitlines()[0]
    assert first.startswith("-- ")
    assert first.endswith("?")
    assert answer(nothing, tmp_path, query.stem).is_empty()


def test_there_are_recipes():
    assert len(QUERIES) >= 5


def test_prolonged_leaks_by_ward_and_month_add_the_procedures_up(nothing, tmp_path):
    nothing.drains(
        drain("a", "A", procedure="lobectomy", prolonged_leak="yes"),
        drain("b", "A", procedure="segmentectomy"),
        drain("c", "A", prolonged_leak="unknown", prolonged_leak_reason="died"),
    )
    row = answer(nothing, tmp_path, "prolonged_leak_by_ward_and_month").row(0, named=True)
    assert (row["counted"], row["evaluable"], row["prolonged"], row["rate"]) == (3, 2, 1, 0.5)
    assert row["rate_low"] < 0.5 < row["rate_high"]
    assert (row["rate_if_unknown_no"], row["rate_if_unknown_yes"]) == (1 / 3, 2 / 3)


def test_last_nights_files_are_those_of_the_day_before_the_database_was_built(nothing, tmp_path):
    built = datetime(2031, 3, 20, 3, tzinfo=UTC)
    nothing.put(
        "provenance",
        [{"code_version": "1", "settings_digest": "x", "lake_versions": "{}", "built_at": built}],
    )
    nothing.put(
        "load_file",
        [
            {"file_sha256": name, "status": status, "loaded_at": built - timedelta(hours=hours)}
            for name, status, hours in [
                ("cut", "partial", 1),
                ("bad", "rejected", 2),
                ("good", "loaded", 1),
                ("old", "rejected", 30),
            ]
        ],
        rows_read=2,
        rows_kept=1,
        rows_rejected=1,
    )
    found = answer(nothing, tmp_path, "files_that_did_not_load")
    assert found["file_sha256"].to_list() == ["cut", "bad"]


def test_tilt_stands_on_drains_whose_tilt_was_read(nothing, tmp_path):
    a, c = {"tilted_minutes": 100}, {"tilted_minutes": 300}
    nothing.drains(
        drain("a", "A", tilt_known_minutes=14400, **a),
        drain("b", "A"),
        drain("c", "B", tilt_known_minutes=7200, **c),
    )
    found = answer(nothing, tmp_path, "tilted_minutes_by_ward")
    assert found.select("unit", "drains", "tilted_minutes_per_day").rows() == [
        ("B", 1, 60.0),
        ("A", 1, 10.0),
    ]


def test_suspicions_count_per_hundred_days_of_drains_that_could_show_them(nothing, tmp_path):
    nothing.drains(
        drain("a", "A", occlusion_minutes=90),
        drain("b", "A", occlusion_minutes=0),
        drain("c", "A"),
        drain("d", "B", occlusion_minutes=0),
    )
    nothing.put(
        "period",
        [
            {"drain_id": "a", "kind": kind, "grade": grade, "started_at": MARCH + timedelta(hours=i)}
            for i, (kind, grade) in enumerate(
                [("occlusion_suspected", "possible"), ("occlusion_suspected", "probable"), ("leak", None)]
            )
        ],
        ended_at=MARCH + timedelta(days=1),
        minutes=45,
    )
    found = answer(nothing, tmp_path, "suspected_occlusions_by_ward")
    assert found.select("unit", "drain_days", "suspected", "probable", "suspected_per_100_days").rows() == [
        ("A", 20.0, 2, 1, 10.0),
        ("B", 10.0, 0, 0, 0.0),
    ]


def test_the_ward_that_keeps_drains_longest_comes_first(nothing, tmp_path):
    nothing.drains(drain("a", "A"), drain("b", "B"), drain("x", "B", removal_reason="died"))
    nothing.put(
        "readiness",
        [
            {"drain_id": d, "rule": "r", "hours_ready_before_removal": h, "removed_before_ready": False}
            for d, h in [("a", 5.0), ("b", 40.0), ("x", 900.0)]
        ],
    )
    found = answer(nothing, tmp_path, "longest_after_ready_by_ward")
    assert found.select("unit", "removed", "delay_median_hours").rows() == [("B", 1, 40.0), ("A", 1, 5.0)]
