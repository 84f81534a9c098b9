"""Moved dates: the ward's clock and its days stay, and the hours are as they went by."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import polars as pl
from hypothesis import given
from hypothesis import strategies as st

from pipeline.extract.keys import ExtractKey, shift_days
from pipeline.extract.local_time import clock_changed, shifted_wall_clock
from schemas.table import INSTANT

_ZONES = ("Europe/Zurich", "America/New_York", "Asia/Kolkata", "Australia/Lord_Howe", "UTC")
_INSTANTS = st.datetimes(datetime(2030, 1, 1), datetime(2033, 1, 1)).map(lambda t: t.replace(tzinfo=UTC))


@given(
    st.lists(st.tuples(_INSTANTS, st.sampled_from(_ZONES), st.integers(-1096, -366)), min_size=1, max_size=30)
)
def test_the_wall_clock_moves_by_whole_days(rows: list[tuple[datetime, str, int]]) -> None:
    frame = pl.DataFrame(
        {"at": [r[0] for r in rows], "timezone": [r[1] for r in rows], "shift_days": [r[2] for r in rows]},
        schema={"at": INSTANT, "timezone": pl.String, "shift_days": pl.Int32},
    )
    moved = shifted_wall_clock(frame, ["at"])["at"].to_list()
    for (at, zone, days), got in zip(rows, moved, strict=True):
        local = at.astimezone(ZoneInfo(zone)).replace(tzinfo=None, second=0, microsecond=0)
        assert got == local + timedelta(days=days)


def test_null_stays_null() -> None:
    frame = pl.DataFrame(
        {"at": [None], "timezone": ["UTC"], "shift_days": [-400]},
        schema={"at": INSTANT, "timezone": pl.String, "shift_days": pl.Int32},
    )
    assert shifted_wall_clock(frame, ["at"])["at"].to_list() == [None]


@given(st.text(max_size=20), st.text(max_size=20), st.booleans())
def test_a_shift_is_whole_days_within_its_bounds(site: str, patient: str, weeks: bool) -> None:
    days = shift_days(b"k" * 32, (site, patient), 366, 1096, whole_weeks=weeks)
    assert -1096 <= days <= -366
    assert not weeks or days % 7 == 0
    assert days == shift_days(b"k" * 32, (site, patient), 366, 1096, whole_weeks=weeks)


def test_shifts_spread_over_their_bounds() -> None:
    days = [shift_days(b"k" * 32, ("a", str(n)), 366, 1096) for n in range(3000)]
    assert len(set(days)) > 700  # of 731
    assert min(days) < -1080
    assert max(days) > -380


def test_names_are_of_one_extract_and_one_key() -> None:
    one, other = ExtractKey(b"k" * 32, "X1"), ExtractKey(b"k" * 32, "X2")
    stranger = ExtractKey(b"j" * 32, "X1")
    assert one.drain("D") == ExtractKey(b"k" * 32, "X1").drain("D")
    for make in (lambda k: k.drain("D"), lambda k: k.patient("a", "1"), lambda k: k.place("unit", "a", "w")):
        assert len({make(one), make(other), make(stranger)}) == 3
    assert one.place("unit", "a", "w") != one.place("unit", "b", "w")


def test_a_drain_over_the_night_of_summer_time_is_known() -> None:
    def drain(first: str, last: str, zone: str = "Europe/Zurich") -> dict[str, object]:
        return {
            "timezone": zone,
            "started_at": datetime.fromisoformat(first),
            "ended_at": datetime.fromisoformat(last),
        }

    rows = [
        drain("2031-03-29T20:00Z", "2031-03-30T00:59Z"),
        drain("2031-03-29T20:00Z", "2031-03-30T01:00Z"),
        drain("2031-10-25T20:00Z", "2031-10-26T08:00Z"),
        drain("2031-10-25T20:00Z", "2031-10-26T08:00Z", "Asia/Kolkata"),
        {"timezone": "UTC", "started_at": None, "ended_at": None},
    ]
    frame = pl.DataFrame(rows, schema={"timezone": pl.String, "started_at": INSTANT, "ended_at": INSTANT})
    assert clock_changed(frame).to_list() == [False, True, True, False, None]
