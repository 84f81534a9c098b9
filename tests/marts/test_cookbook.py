"""The cookbook: every query opens with its question, runs, and answers it."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from datetime import UTC, datetime, timedelta

import polars as pl
import pytest

from pipeline.definitions import load_definitions
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


@pytest.fixture(scope="module")
def empty(new_cohort, tmp_path_factory):
    return new_cohort().publish(tmp_path_factory.mktemp("empty") / "drainledger.duckdb")


@pytest.mark.parametrize("query", QUERIES, ids=lambda q: q.stem)
def test_every_query_opens_with_its_question_and_runs_on_an_empty_ledger(empty, query):
    text = query.read_text(encoding="utf-8")
    first = text.splitlines()[0]
    assert first.startswith("-- ")
    assert first.endswith("?")
    assert select(empty, text, empty.parent).is_empty()


@pytest.mark.parametrize("query", QUERIES, ids=lambda q: q.stem)
def test_every_query_says_its_definition_and_its_awkward_cases(query):
    text = query.read_text(encoding="utf-8")
    opening = [line for line in text.splitlines() if line.startswith("--")]
    assert text.startswith("\n".join(opening))
    assert any(line.startswith("-- Definition: ") for line in opening)
    assert any(line.startswith("-- Awkward cases: ") for line in opening)


def test_the_guide_lists_every_query_with_its_question_and_no_other():
    guide = (SHARED / "sql" / "README.md").read_text(encoding="utf-8")
    listed = dict(re.findall(r"^\| `(\w+)\.sql` \| (.*\?) \|$", guide, re.MULTILINE))
    questions = {q.stem: q.read_text(encoding="utf-8").splitlines()[0].removeprefix("-- ") for q in QUERIES}
    assert listed == questions
    assert len(questions) >= 25


def test_figures_the_guide_names_are_the_definitions():
    guide = " ".join((SHARED / "sql" / "README.md").read_text(encoding="utf-8").split())
    figures = load_definitions()
    assert f"the first {figures.chart.baseline_months} complete months" in guide
    assert f"fewer than {figures.chart.least_evaluable} evaluable, or no count" in guide
    assert f"fewer than {figures.chart.least_baseline} evaluable in the baseline" in guide
    assert f"reach {figures.prolonged_leak[0].threshold:.0f} h past the month's end" in guide
    assert f"fewer than {figures.chart.least_evaluable} drains or drain-days" in guide


def test_the_guides_lines_of_python_print_every_column(sample_home):
    guide = (SHARED / "sql" / "README.md").read_text(encoding="utf-8")
    (lines,) = re.findall(r"```python\n(.*?)```", guide, re.DOTALL)
    lines = lines.replace("ledger/drainledger.duckdb", str(sample_home.database))
    command = [sys.executable, "-I", "-c", lines]
    told = subprocess.run(command, capture_output=True, text=True, check=True, cwd=SHARED.parent).stdout
    assert all(name in told for name in ("site", "drain_days", "tilted_minutes_per_day", "too_few"))


@pytest.mark.parametrize("query", QUERIES, ids=lambda q: q.stem)
def test_every_query_answers_on_the_sample_logs(sample_home, query):
    # What in the samples nobody did: a month beyond its limits, and a second load that moved something.
    nothing_there = {"months_outside_their_limits", "what_moved_in_the_last_load"}
    found = select(sample_home.database, query.read_text(encoding="utf-8"), sample_home.lake.root)
    assert found.is_empty() == (query.stem in nothing_there)
    assert not [name for name, dtype in found.schema.items() if isinstance(dtype, pl.Decimal)]


def test_a_person_with_the_plain_client_and_the_file_gets_the_same_answers_in_any_time_zone(sample_home):
    program = (
        "import duckdb, json, pathlib, sys\n"
        "asked = duckdb.connect(sys.argv[1], read_only=True)\n"
        "asked.execute(\"SET TimeZone = 'Pacific/Auckland'\")\n"
        "for query in sorted(pathlib.Path(sys.argv[2]).glob('*.sql')):\n"
        "    rows = asked.execute(query.read_text()).fetchall()\n"
        "    print(json.dumps([query.stem, [[str(c) for c in row] for row in rows]]))\n"
        "print(json.dumps(['minute', asked.execute('SELECT count(*) FROM minute').fetchone()[0]]))\n"
    )
    command = [sys.executable, "-I", "-c", program, str(sample_home.database), str(SHARED / "sql")]
    told = subprocess.run(command, capture_output=True, text=True, check=True, cwd="/").stdout
    answers = dict(json.loads(line) for line in told.splitlines())
    assert answers.pop("minute") > 50_000
    assert sorted(answers) == [q.stem for q in QUERIES]
    for query in QUERIES:
        ours = select(sample_home.database, query.read_text(encoding="utf-8"), sample_home.lake.root)
        instants = [i for i, dtype in enumerate(ours.dtypes) if isinstance(dtype, pl.Datetime)]

        def without(row, instants=instants):
            return [str(cell) for i, cell in enumerate(row) if i not in instants]

        assert [without(row) for row in ours.rows()] == [without(row) for row in answers[query.stem]], (
            query.stem
        )


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
    assert found.select("unit", "drains", "drains_read", "tilted_minutes_per_day").rows() == [
        ("B", 1, 1, 60.0),
        ("A", 2, 1, 10.0),
    ]


def test_wards_with_few_drains_do_not_lead_a_ranking(nothing, tmp_path):
    nothing.drains(
        *(drain(f"a{i}", "A", tilted_minutes=10, tilt_known_minutes=14400) for i in range(10)),
        *(drain(f"b{i}", "B", tilted_minutes=90, tilt_known_minutes=100) for i in range(10)),
        drain("c", "C", tilted_minutes=900, tilt_known_minutes=14400),
    )
    found = answer(nothing, tmp_path, "tilted_minutes_by_ward")
    assert found.select("unit", "too_few").rows() == [("A", False), ("B", True), ("C", True)]


def test_a_ward_of_three_days_does_not_lead_the_alarms_or_the_clamps(nothing, tmp_path):
    known = {"alerts_known_minutes": 14400, "alert_count": 1, "line_open_minutes": 0}
    short = {**known, "minutes_observed": 1440, "alerts_known_minutes": 1440}
    nothing.drains(*(drain(f"a{i}", "A", **known) for i in range(10)), drain("b", "B", **short))
    rang = {"code": "line_leak", "started_at": MARCH, "ended_at": MARCH + timedelta(hours=1), "minutes": 60}
    clamp = {k: v for k, v in rang.items() if k != "code"}
    nothing.put("alert", [{**rang, "drain_id": d, "minutes_to_clear": 60} for d in ("a0", "b")])
    nothing.put("period", [{**clamp, "kind": "clamped", "drain_id": d} for d in ("a0", "b")])
    for name, rate in (
        ("alarms_left_ringing_by_ward", "left_ringing_per_100_days"),
        ("clamps_left_on_by_ward", "left_on_per_100_days"),
    ):
        found = answer(nothing, tmp_path, name)
        assert found.select("unit", rate, "too_few").rows() == [("A", 1.0, False), ("B", 100.0, True)], name


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
            {
                "drain_id": "a",
                "kind": kind,
                "grade": grade,
                "started_at": MARCH + timedelta(hours=3 * i),
                "ended_at": MARCH + timedelta(hours=3 * i, minutes=45),
            }
            for i, (kind, grade) in enumerate(
                [("occlusion_suspected", "possible"), ("occlusion_suspected", "probable"), ("leak", None)]
            )
        ],
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
