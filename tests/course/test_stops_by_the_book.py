"""What follows the definitions to the letter is found, however often there is a trace."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from tests.course.bedside import course_as_logged
from tests.course.by_the_book import BEGINS, LASTS, Story, lived

CADENCES = [1, 5, 10, None]
# Nothing tells a stop without air that falls between two traces and lasts for less than `envelope.still_run`.
SHORTEST = 5


def flags_of(stories: list[Story], every: int | None, seed: int) -> list[pl.DataFrame]:
    """The minutes of each story with its flags as columns and `shut`, the truth."""
    rng = np.random.default_rng(seed)
    uses = [lived(story, rng, f"DV-{place:04d}", every) for place, story in enumerate(stories)]
    minutes = course_as_logged(*uses).minutes
    found = []
    for story, use in zip(stories, uses, strict=True):
        one = minutes.filter(pl.col("use_id") == use.use_id)
        found.append(
            one.select(
                "tidaling",
                *(
                    pl.col("flags").list.contains(kind).alias(kind)
                    for kind in ("clamped", "flow_stopped", "occlusion_suspected")
                ),
                shut=pl.Series([t in story.minutes for t in range(LASTS)]),
            )
        )
    return found


def clamps(rng: np.random.Generator) -> list[Story]:
    """Tidaling and leak stop within two minutes after a hand on the drain, and return within the hour."""
    return [
        Story(
            leak=leak,
            fluid=float(rng.uniform(2, 60)),
            swing=float(rng.uniform(0.9, 6)),
            shut=int(rng.choice([60, rng.integers(SHORTEST + 3 * opened, 60)])),
            hand=hand,
            delay=int(rng.integers(0, 3)),
            opened=opened,
        )
        for hand, opened in (("pause", False), ("canister", False), ("alert", False), ("pause", True))
        for leak in (0.0, 5.0, 15.0, 25.0, float(rng.uniform(30, 600)))
    ]


def occlusions(rng: np.random.Generator, leaks: bool) -> list[Story]:
    """A tube that breathed, and leaked or drained more than 5 mL/h, is shut for 45 minutes or longer."""
    return [
        Story(
            leak=float(rng.uniform(25, 400)) if leaks else 0.0,
            fluid=float(rng.uniform(0, 30) if leaks else fluid),
            swing=float(rng.uniform(0.9, 6)),
            shut=int(rng.integers(46, 240)),
            rings=bool(rng.random() < 0.3),
        )
        for fluid in (6, 7, 9, 12, 20, 30, 45, 60, 8, 10)
    ]


@pytest.mark.parametrize("every", CADENCES)
def test_a_line_clamped_after_a_hand_on_it_is_clamped(every: int | None) -> None:
    rng = np.random.default_rng(11)
    found = pl.concat(flags_of(clamps(rng), every, 12))
    both = found.filter("clamped", "shut").height
    assert both >= 0.95 * found["shut"].sum()
    assert both >= 0.95 * found["clamped"].sum()


@pytest.mark.parametrize("every", CADENCES)
def test_an_hour_that_ends_in_a_pause_is_still_an_hour(every: int | None) -> None:
    stories = [
        Story(leak=leak, fluid=20, swing=3, shut=60, hand="pause", opened=True)
        for leak in (0.0, 15.0, 25.0, 200.0)
    ]
    found = pl.concat(flags_of(stories, every, 23))
    assert found.filter("clamped", "shut").height >= 0.95 * found["shut"].sum()


@pytest.mark.parametrize("every", CADENCES)
def test_a_blocked_tube_that_drained_is_suspected(every: int | None) -> None:
    rng = np.random.default_rng(13)
    found = flags_of(occlusions(rng, leaks=False), every, 14)
    assert sum(one.filter("shut")["occlusion_suspected"].any() for one in found) >= 0.9 * len(found)


@pytest.mark.parametrize("every", [1, 5, 10])
def test_a_blocked_tube_that_leaked_is_suspected_where_traces_show_the_breath(every: int) -> None:
    rng = np.random.default_rng(15)
    found = flags_of(occlusions(rng, leaks=True), every, 16)
    assert sum(one.filter("shut")["occlusion_suspected"].any() for one in found) >= 0.9 * len(found)


def test_without_traces_a_leaking_tube_that_is_blocked_is_at_least_of_unknown_cause() -> None:
    rng = np.random.default_rng(17)
    for one in flags_of(occlusions(rng, leaks=True), None, 18):
        told = one.filter("shut").select(pl.col("flow_stopped") | pl.col("occlusion_suspected"))
        assert told.to_series().mean() > 0.95


def risings(rng: np.random.Generator) -> list[Story]:
    """Lungs that come up within one to seven hours, while leak and fluid fade."""
    return [
        Story(
            leak=leak,
            fluid=float(rng.uniform(2, 60)),
            swing=float(rng.uniform(0.9, 6)),
            up=int(up),
            hand=str(rng.choice(["", "pause", "alert"])),
        )
        for up in (62, 62, 65, 75, *rng.integers(60, 400, 6))
        for leak in (0.0, float(rng.uniform(25, 300)))
    ]


@pytest.mark.parametrize("every", CADENCES)
def test_a_lung_that_comes_up_over_hours_is_never_called_blocked(every: int | None) -> None:
    rng = np.random.default_rng(19)
    found = pl.concat(flags_of(risings(rng), every, 20))
    assert (found["tidaling"] == "absent").sum() > 1000
    assert not found["occlusion_suspected"].any()
    assert not found["clamped"].any()


@pytest.mark.parametrize("every", CADENCES)
def test_not_even_where_a_hole_hides_most_of_its_way(every: int | None) -> None:
    rng = np.random.default_rng(21)
    begins = [int(start) for start in rng.integers(BEGINS - 60, BEGINS + 120, 20)]
    uses = [
        lived(story, rng, f"DV-{place:04d}", every, range(begin, begin + 90))
        for place, (story, begin) in enumerate(zip(risings(rng), begins, strict=True))
    ]
    found = course_as_logged(*uses).minutes
    assert (found["tidaling"] == "absent").sum() > 1000
    for kind in ("occlusion_suspected", "clamped"):
        assert not found["flags"].list.contains(kind).any()
