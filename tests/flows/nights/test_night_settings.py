"""A night's settings: command line before environment before nightly.toml, and nothing misspelt passes."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import pytest

from flows.nights.night_settings import NightSettings, night_settings
from flows.nights.schedule import next_run
from schemas.errors import CallError, InputError


def test_without_a_word_files_stay_where_they_are(tmp_path: Path) -> None:
    settings = night_settings(tmp_path, {}, {})
    assert (settings.after, settings.landing, settings.report) == ("keep", None, None)


def test_the_command_line_stands_before_the_environment_and_that_before_the_file(tmp_path: Path) -> None:
    (tmp_path / "nightly.toml").write_text('landing = "drop"\nsite = "north"\nsettle_minutes = 3\n')
    surroundings = {"DRAINLEDGER_SITE": "south", "DRAINLEDGER_SETTLE_MINUTES": "4"}
    settings = night_settings(tmp_path, {"settle_minutes": 5.0, "site": None}, surroundings)
    assert (settings.landing, settings.site, settings.settle_minutes) == (tmp_path / "drop", "south", 5.0)


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ('landig = "drop"', "unknown key landig; did you mean landing?"),
        ('zzz = "drop"', "unknown key zzz; there are landing"),
        ("settle_minutes = -1", "settle_minutes -1: "),
        ('after = "burn"', "after 'burn': "),
        ('after = "move"', 'after = "move" and done'),
        ('done = "old"', 'after = "move" and done'),
        ('timezone = "Europe/Zurick"', "did you mean Europe/Zurich"),
        ('cron = "61 2 * * *"', "cron '61 2 \\* \\* \\*'"),
        ('cron = "0 2 30 2 *"', "no time fits it"),
        ('cron = "@daily"', "five parts are needed"),
        ("landing = ", "not valid TOML"),
    ],
)
def test_what_cannot_be_in_the_file_is_named(tmp_path: Path, text: str, told: str) -> None:
    (tmp_path / "nightly.toml").write_text(text)
    with pytest.raises(InputError, match=told):
        night_settings(tmp_path, {}, {})


def test_what_cannot_be_on_the_command_line_is_a_wrong_call(tmp_path: Path) -> None:
    with pytest.raises(CallError, match="look_seconds"):
        night_settings(tmp_path, {}, {"DRAINLEDGER_LOOK_SECONDS": "soon"})
    with pytest.raises(CallError, match="go together"):
        night_settings(tmp_path, {"after": "move"}, {})


def test_waits_between_tries_can_be_given_in_the_environment(tmp_path: Path) -> None:
    assert night_settings(tmp_path, {}, {"DRAINLEDGER_RETRY_SECONDS": "1,2.5"}).retry_seconds == (1, 2.5)


def test_a_profile_file_is_looked_for_from_the_home(tmp_path: Path) -> None:
    (tmp_path / "nightly.toml").write_text('profile = "profiles/new.toml"\n')
    assert night_settings(tmp_path, {}, {}).profile == str(tmp_path / "profiles" / "new.toml")


def test_every_setting_says_what_it_is() -> None:
    assert all(field.description for field in NightSettings.model_fields.values())


def test_the_next_run_is_at_the_wall_clock_of_its_zone_on_both_sides_of_summer_time() -> None:
    before = datetime(2031, 3, 29, 12, tzinfo=UTC)  # clocks go forward on 30 March 2031
    first = next_run("30 4 * * *", "Europe/Zurich", before)
    assert first == datetime(2031, 3, 30, 2, 30, tzinfo=UTC)
    assert next_run("30 4 * * *", "Europe/Zurich", datetime(2031, 3, 28, 12, tzinfo=UTC)) == datetime(
        2031, 3, 29, 3, 30, tzinfo=UTC
    )


@pytest.mark.parametrize("cron", ["30 4 * * *", "*/15 8-18 * * 1-5", "0 0 1 * *", "5 4 13 * 5"])
def test_the_next_run_is_the_one_prefect_would_make(cron: str) -> None:
    import asyncio

    from prefect.server.schemas.schedules import CronSchedule

    now = datetime(2031, 3, 14, 12, 7, tzinfo=UTC)
    theirs = asyncio.run(CronSchedule(cron=cron, timezone="Europe/Zurich").get_dates(1, start=now))
    assert next_run(cron, "Europe/Zurich", now) == theirs[0]
