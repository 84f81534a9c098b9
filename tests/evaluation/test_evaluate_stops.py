"""How clamps, stops and suspicions are scored, on stays made by hand."""

from __future__ import annotations

import pytest

from tests.evaluation.beside_by_hand import stay, value
from tests.evaluation.evaluate_figures import misses
from tests.evaluation.evaluate_grades import grades
from tests.evaluation.evaluate_shut import shut_lines
from tests.evaluation.evaluate_stops import clamps, occlusions, stops, suspicions
from tests.evaluation.evaluate_table import as_markdown, printed


def minutes(*stretches: range, n: int = 1440) -> list[bool]:
    return [any(t in stretch for stretch in stretches) for t in range(n)]


def test_an_occlusion_is_found_by_any_minute_of_it_and_short_ones_are_not_asked_for() -> None:
    shut = [100 <= t < 160 or 300 <= t < 340 for t in range(600)]
    told = [t == 150 for t in range(600)]
    beside = stay(600, true_occluded=shut, occlusion_suspected=told)
    found = list(occlusions(beside))
    assert value(found, "occlusion_suspected: found, of all true") == 1.0
    missed = list(occlusions(stay(600, true_occluded=shut)))
    assert value(missed, "occlusion_suspected: found, of all true") == 0.0


def test_a_suspicion_of_an_open_tube_is_false_once_however_long() -> None:
    told = [50 <= t < 90 or 200 <= t < 210 for t in range(1440)]
    found = list(suspicions(stay(1440, occlusion_suspected=told)))
    assert value(found, "occlusion_suspected: false per 100 drain-days") == 200.0


def test_what_is_told_of_a_line_that_was_shut_is_shared_out_and_breathing_is_wrong_after_ten_minutes() -> (
    None
):
    shut = [100 <= t < 200 for t in range(300)]
    found = list(
        shut_lines(
            stay(
                300,
                true_clamped=shut,
                true_leaking=True,
                leak_on=[not 150 <= t < 160 for t in range(300)],
                clamped=[120 <= t < 150 for t in range(300)],
                tidaling=["absent" if 150 <= t < 190 else "present" for t in range(300)],
            )
        )
    )
    shares = {figure.what.removeprefix("clamped: minutes "): figure.value for figure in found[:8]}
    assert shares["told clamped"] == 0.3
    assert shares["told no breathing, cause undetermined"] == 0.4
    assert shares["breathing told, at most 10 min after"] == 0.1
    assert shares["breathing told later: wrong"] == 0.2
    assert sum(shares.values()) == pytest.approx(1)
    assert value(found, "clamped: minutes told free of leak while the lung leaked: wrong") == 0.1


@pytest.mark.parametrize(
    ("truth", "shut", "right", "clamped", "damped", "false"),
    [
        ("true_occluded", range(100, 130), 1.0, 0, 0, 0),
        ("true_occluded", range(100, 129), 0.0, 0, 0, 100),
        ("true_clamped", range(130, 200), 0.0, 1, 0, 0),
        ("true_clamped", range(132, 200), 0.0, 0, 0, 100),
        ("true_damped", range(90, 160), 0.0, 0, 1, 0),
        ("true_damped", range(90, 101), 0.0, 0, 0, 100),
    ],
)
def test_a_suspicion_is_what_lay_behind_half_of_its_minutes_and_one_minute_makes_none_right(
    truth: str, shut: range, right: float, clamped: int, damped: int, false: float
) -> None:
    beside = stay(1440, occlusion_suspected=minutes(range(100, 160)), **{truth: minutes(shut)})
    found = list(suspicions(beside))
    assert value(found, "occlusion_suspected: right, at least half of its minutes occluded") == right
    assert value(found, "occlusion_suspected: mostly on a true clamp") == clamped
    assert value(found, "occlusion_suspected: mostly on a true clamp, per 100 drain-days") == 100 * clamped
    assert value(found, "occlusion_suspected: mostly on a damped line") == damped
    assert value(found, "occlusion_suspected: false per 100 drain-days") == false


def test_the_row_of_false_suspicions_says_what_is_counted_beside_it() -> None:
    beside = stay(1440, occlusion_suspected=minutes(range(100, 160)), true_clamped=minutes(range(100, 160)))
    (row,) = (one for one in suspicions(beside) if "false per 100" in one.what)
    assert row.at_most == 1
    assert "1 mostly on a true clamp, 0 on a damped line" in row.of


def test_all_true_clamps_stand_beside_those_that_can_be_claimed_and_say_why_they_are_not_reached() -> None:
    long = minutes(range(300, 500))
    swing = [0.0 if shut else 3.0 for shut in long]
    found = list(clamps(stay(1440, true_clamped=long, true_swing_cmh2o=swing)))
    claimable, every = (found.index(one) for one in found if "recall" in one.what and "noted" not in one.what)
    assert every == claimable + 1
    assert found[claimable].value is None
    assert found[every].value == 0
    assert found[every].reached is False
    assert not found[every].failed
    assert "clamp.return_within" in found[every].why
    outlasts = "clamped: true minutes not to be claimed, it outlasts `clamp.return_within`"
    assert value(found, outlasts) == 1
    assert any("NOT REACHED" in line and "not reached, and why" in line for line in printed({"all": found}))


def test_a_grade_is_right_by_its_minutes_and_each_grade_has_its_own_row() -> None:
    told = minutes(range(100, 140), range(200, 240), range(300, 340))
    grade = ["probable" if t < 150 else "possible" if t < 250 else None for t in range(1440)]
    true = minutes(range(100, 140), range(230, 300))
    names = ("probable", "possible", "none")
    for flag, truth in (("occlusion_suspected", "true_occluded"), ("clamped", "true_clamped")):
        found = list(grades(stay(1440, **{flag: told, f"{flag}_grade": grade, truth: true})))
        rows = [value(found, f"{flag}: minutes of grade {name} that are right") for name in names]
        assert rows == [1, 0.25, 0]
        (possible,) = (one for one in found if one.what.startswith(f"{flag}: minutes of grade possible"))
        assert possible.of == "40 min; 0 of 1 periods right by half"


def test_a_stop_of_unknown_cause_is_right_where_the_line_was_shut_and_asked_for_where_nothing_nearer_is_told() -> (
    None
):
    found = list(
        stops(
            stay(
                1440,
                flow_stopped=minutes(range(100, 140)),
                clamped=minutes(range(150, 170)),
                true_clamped=minutes(range(110, 170)),
            )
        )
    )
    assert value(found, "flow_stopped: precision") == 30 / 40
    assert value(found, "flow_stopped: recall, where neither clamped nor suspected is told") == 30 / 40


def test_zeros_of_a_shut_line_that_stand_for_the_lung_are_shares_of_all_and_of_where_it_leaked() -> None:
    shut = minutes(range(100, 200))
    beside = stay(
        1440,
        true_occluded=shut,
        true_leaking=minutes(range(150)),
        leak_on=minutes(range(125)),
        assessable=[not 100 <= t < 120 for t in range(1440)],
    )
    found = list(shut_lines(beside))
    assert value(found, "occluded: minutes that count for the lung's leak") == 0.8
    assert value(found, "occluded: minutes told free of leak while the lung leaked: wrong") == 0.25
    assert value(found, "occluded: the same, of the minutes in which the lung leaked") == 0.5
    assert all("seals at once" in one.why for one in found if "lung leaked: wrong" in one.what)


def test_a_subset_that_misses_a_target_shows_it_in_its_cell_and_below_the_table() -> None:
    false = list(suspicions(stay(1440, occlusion_suspected=minutes(range(100, 160)))))
    none = list(suspicions(stay(1440)))
    found = {"all": none, "upland": false}
    (missed,) = misses(found)
    assert list(missed) == ["upland"]
    page = as_markdown(found, 1, 1)
    assert "| 0 | **100 ✗** |" in page
    assert "missed by: upland 100 (1 raised in 1 drain-days: 0 right, 1 false;" in page
    assert page.endswith("on a damped line)\n")
