"""Staff decide where the log cannot; where it shows air or breath their note stands, and says that it does."""

from __future__ import annotations

from typing import Any

import pytest

from pipeline.course.written import Course
from tests.course.bedside import Use, at, course_as_logged, course_as_told, detail, stretches

FLAG = {"confirmed_occlusion": "occlusion_suspected", "clamp_trial": "clamped"}
KINDS = sorted(FLAG)


def noted(use: Use, kind: str, start: int = 60, end: int | None = 120, **more: Any) -> Course:
    until = None if end is None else at(end)
    return course_as_told(use, annotations=[(use.use_id, at(start), until, kind)], **more)


def against(course: Course) -> list[int]:
    """The minutes in which the log contradicts a note."""
    return [t for t, kinds in enumerate(course.minutes["against_log"].to_list()) if kinds]


def counted(course: Course) -> list[int]:
    return [t for t, yes in enumerate(course.minutes["assessable"].to_list()) if yes]


def shut(**about: Any) -> Use:
    """Neither breath nor leak from minute 60 to 119."""
    still = {"breath": lambda t: "absent" if 60 <= t < 120 else "present"}
    return Use(200, **(still | about))


@pytest.mark.parametrize("kind", KINDS)
class TestShut:
    def test_a_leak_through_all_of_it_takes_no_minute_from_the_lung(self, kind: str) -> None:
        course = noted(shut(leak=70.0), kind)
        assert stretches(course, FLAG[kind]) == [(60, 60, "annotated")]
        assert detail(course, FLAG[kind]).endswith("; the log shows flow in 60 of 60 min")
        assert against(course) == list(range(60, 120))
        assert counted(course) == list(range(200))
        assert stretches(course, "leak") == [(0, 200, None)]

    def test_so_does_breath(self, kind: str) -> None:
        course = noted(Use(200), kind)
        assert against(course) == list(range(60, 120))
        assert counted(course) == list(range(200))

    def test_a_note_that_the_log_bears_out_takes_them_all(self, kind: str) -> None:
        course = noted(shut(leak=lambda t: 0.0 if 60 <= t < 120 else 70.0), kind)
        assert against(course) == []
        assert "the log shows" not in detail(course, FLAG[kind])
        assert counted(course) == [*range(60), *range(120, 200)]

    def test_only_the_minutes_with_flow_count(self, kind: str) -> None:
        course = noted(shut(leak=lambda t: 70.0 if 80 <= t < 90 else 0.0), kind)
        assert against(course) == list(range(80, 90))
        assert detail(course, FLAG[kind]).endswith("in 10 of 60 min")
        assert counted(course) == [*range(60), *range(80, 90), *range(120, 200)]

    def test_a_leak_at_the_limit_is_none(self, kind: str) -> None:
        assert against(noted(shut(leak=20.0), kind)) == []
        assert against(noted(shut(leak=20.1), kind)) == list(range(60, 120))

    def test_a_minute_at_an_edge_may_be_the_one_it_was_shut_or_opened_in(self, kind: str) -> None:
        assert against(noted(shut(leak=lambda t: 0.0 if 61 <= t < 119 else 70.0), kind)) == []
        course = noted(shut(leak=lambda t: 0.0 if 62 <= t < 118 else 70.0), kind)
        assert against(course) == [60, 61, 118, 119]

    def test_a_verdict_held_from_before_the_note_is_no_breath_in_it(self, kind: str) -> None:
        use = shut(traces=10, breath=lambda t: "absent" if 61 <= t < 120 else "present")
        assert against(noted(use, kind)) == []

    def test_a_pause_or_a_blank_contradicts_nothing(self, kind: str) -> None:
        paused = shut(leak=70.0, state=lambda t: "pause" if 60 <= t < 120 else "run")
        assert against(noted(paused, kind)) == []
        assert against(noted(shut(leak=None), kind)) == []
        assert against(noted(shut(missing=range(60, 120)), kind)) == []

    def test_nor_does_the_air_of_an_open_line(self, kind: str) -> None:
        inside = range(60, 120)
        use = shut(
            leak=lambda t: 2000.0 if t in inside else 0.0, mean=lambda t: -1.0 if t in inside else -19.8
        )
        assert against(noted(use, kind)) == []

    def test_a_note_of_a_moment_is_held_against_the_minutes_around(self, kind: str) -> None:
        assert against(noted(shut(leak=70.0), kind, 100, None)) == [100]
        assert against(noted(shut(leak=lambda t: 70.0 if t <= 100 else 0.0), kind, 100, 101)) == []

    def test_two_notes_that_touch_are_one(self, kind: str) -> None:
        use = shut(leak=70.0)
        notes = [(use.use_id, at(60), at(90), kind), (use.use_id, at(80), at(120), kind)]
        assert against(course_as_told(use, annotations=notes)) == list(range(60, 120))

    def test_with_every_step_of_the_pipeline_the_same(self, kind: str) -> None:
        use = Use(200, leak=70.0, traces=10)
        course = course_as_logged(use, annotations=[(use.use_id, at(60), at(120), kind)])
        assert against(course) == list(range(60, 120))
        assert counted(course) == list(range(200))


def test_a_clamp_that_the_log_itself_tells_is_not_contradicted() -> None:
    def open_again(t: int) -> bool:
        return not 100 <= t < 120

    use = Use(
        200,
        leak=lambda t: 80.0 if open_again(t) else 0.0,
        breath=lambda t: "present" if open_again(t) else "absent",
        state=lambda t: "pause" if t == 99 else "run",
    )
    course = noted(use, "clamp_trial", 90, 130)
    assert against(course) == [*range(90, 99), *range(120, 130)]


@pytest.mark.parametrize("kind", ["refuted", "ventilated", "procedure", "note"])
def test_other_notes_say_nothing_that_a_log_could_contradict(kind: str) -> None:
    course = noted(Use(200, leak=70.0), kind)
    assert against(course) == []
    assert counted(course) == list(range(200))


def test_each_minute_has_the_kinds_of_what_was_noted_of_it() -> None:
    use = shut()
    notes = [
        (use.use_id, at(60), at(120), "clamp_trial"),
        (use.use_id, at(119), at(121), "note"),
        (use.use_id, at(10), None, "procedure"),
    ]
    found = course_as_told(use, annotations=notes).minutes["annotations"].to_list()
    assert found[119:122] == [["clamp_trial", "note"], ["note"], []]
    assert [t for t, kinds in enumerate(found) if "procedure" in kinds] == [10]
