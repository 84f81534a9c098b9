"""Ventilated patients: what the note of staff decides, and what it leaves undecided."""

from __future__ import annotations

from typing import Any

import polars as pl

from pipeline.course import Course
from tests.course.bedside import Use, at, course_as_logged, detail, stretches


def regular(**more: Any) -> Use:
    """Traces of so regular a cycle that their shape does not tell a ventilator from a pump; no envelope."""
    told: dict[str, Any] = {
        "breath": "indeterminate", "swing": 3.0, "artefact": "pump", "low": None, "high": None, "leak": 0.0, **more
    }  # fmt: skip
    return Use(120, **told)


def lived(use: Use, kind: str = "ventilated") -> Course:
    return course_as_logged(use, annotations=[(use.use_id, at(30), at(90), kind)])


def test_without_a_note_a_cycle_that_may_be_the_pumps_stays_undecided() -> None:
    assert set(course_as_logged(regular()).minutes["tidaling"]) == {"indeterminate"}
    assert set(lived(regular(), "note").minutes["tidaling"]) == {"indeterminate"}


def test_where_staff_noted_ventilation_it_is_the_ventilators() -> None:
    course = lived(regular())
    # A single undecided trace after it does not end what the last one showed.
    assert stretches(course, "tidaling_present") == [(30, 61, None)]
    assert "; staff noted ventilated, 60 min" in detail(course, "tidaling_present")


def test_while_air_leaks_the_pump_may_work_and_the_note_decides_nothing() -> None:
    assert set(lived(regular(leak=60.0)).minutes["tidaling"]) == {"indeterminate"}
    assert set(lived(regular(leak=None)).minutes["tidaling"]) == {"indeterminate"}


def test_a_swing_too_small_to_count_is_not_made_breathing_by_a_note() -> None:
    assert set(lived(regular(swing=0.4)).minutes["tidaling"]) == {"indeterminate"}


def test_absence_stays_absence() -> None:
    use = Use(120, breath="absent", low=None, high=None)
    course = lived(use)
    assert set(course.minutes["tidaling"]) == {"absent"}
    assert "; staff noted ventilated, 60 min" in detail(course, "tidaling_absent")


def test_another_patients_note_decides_nothing() -> None:
    mine, theirs = regular(), regular(name="DV-0002")
    course = course_as_logged(mine, theirs, annotations=[(theirs.use_id, at(0), at(120), "ventilated")])
    told = dict(course.minutes.group_by("use_id").agg(pl.col("tidaling").unique()).rows())
    assert told == {mine.use_id: ["indeterminate"], theirs.use_id: ["present"]}
