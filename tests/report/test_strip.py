"""A drain's strip: what it must still show however many minutes stand behind a pixel."""

from __future__ import annotations

import json
from datetime import timedelta
from pathlib import Path

import polars as pl
import pytest

from pipeline.course import Course
from pipeline.report import picture
from pipeline.report.flag_rows import ROWS
from pipeline.report.strip import strip
from pipeline.report.strip_frame import per_pixel
from schemas.vocabulary import PeriodKind
from tests.course.bedside import Use, at, course_as_told

SHORT = {"tidaling_present": "tidaling present", "leak": "leak on", "tilted": "tilted"}


def drawn(course: Course, **asked: object) -> dict:
    chart = strip(course.minutes, course.periods, course.alerts, course.canisters, **asked)  # type: ignore[arg-type]
    return json.loads(chart.to_json())


def rows_of(chart: dict) -> list[dict]:
    return [row for rows in chart["datasets"].values() for row in rows if "row" in row]


def test_a_spike_of_one_minute_is_seen_among_weeks() -> None:
    n = 20_000
    course = course_as_told(Use(n, traces=lambda t: False, leak=lambda t: 4000.0 if t == 7777 else 0.0))
    pixels = per_pixel(course.minutes, 700)
    assert pixels.height <= 700
    assert pixels["leak_most"].max() == 4000.0
    assert pixels["leak_least"].max() == 0.0


def test_the_swing_drawn_is_the_greatest_of_its_minutes() -> None:
    course = course_as_told(Use(3000, high=lambda t: 15.0 if t == 1234 else -18.5))
    pixels = per_pixel(course.minutes, 100)
    assert pixels["pressure_most"].max() == 15.0
    assert pixels["pressure_least"].min() == -21.5


def test_a_pixel_without_readings_stays_blank() -> None:
    course = course_as_told(Use(400, missing=range(100, 200)))
    pixels = per_pixel(course.minutes, 40)
    assert pixels["leak_most"].null_count() == 10


def test_each_finding_has_its_name_in_words_beside_its_colour() -> None:
    course = course_as_told(Use(600, leak=90.0, tilt=lambda t: 40.0 if 100 <= t < 110 else 1.0))
    told = {row["row"] for row in rows_of(drawn(course))}
    assert told == set(SHORT.values())
    assert set(ROWS) == set(PeriodKind)


def test_a_finding_of_one_minute_is_at_least_a_pixel_wide() -> None:
    course = course_as_told(Use(8_000, tilt=lambda t: 40.0 if t == 777 else 1.0))
    chart = drawn(course, width=500)
    box = next(row for row in rows_of(chart) if row["row"] == "tilted")
    assert box["until"] > box["at"]
    assert (box["from"], box["to"]) == ("11 Mar 01:57", "11 Mar 01:58")


def test_weeks_of_coughs_stay_drawable() -> None:
    course = course_as_told(
        Use(9_000, artefact=lambda t: "cough" if t % 3 == 0 else "none", artefact_fraction=0.4)
    )
    assert course.periods.filter(pl.col("kind") == "cough").height == 3_000
    assert sum(row["row"] == "cough" for row in rows_of(drawn(course))) <= 760


def test_times_are_the_sites(tmp_path: Path) -> None:
    course = course_as_told(Use(60))
    text = picture(strip(course.minutes, course.periods, course.alerts, course.canisters), tmp_path / "s.svg")
    said = text.read_text()
    assert "13:30" in said  # noon UTC is 13:00 there
    assert "local time (UTC+1 at the start)" in said


def test_no_minutes_is_no_strip() -> None:
    course = course_as_told(Use(60))
    with pytest.raises(ValueError, match="needs minutes"):
        strip(course.minutes.clear(), course.periods, course.alerts, course.canisters)


def test_what_lies_outside_the_minutes_is_left_out() -> None:
    course = course_as_told(Use(600, tilt=lambda t: 40.0 if t >= 500 else 1.0))
    first = course.minutes.filter(pl.col("minute") < at(0) + timedelta(minutes=300))
    chart = json.loads(strip(first, course.periods, course.alerts, course.canisters).to_json())
    assert {row["row"] for row in rows_of(chart)} == {"tidaling present"}
