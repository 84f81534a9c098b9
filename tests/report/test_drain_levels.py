"""Downsampling a drain's course: nothing greater or less than what was read gets lost, no hole is bridged."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import polars as pl
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.report.drain_levels import DRAWN, MOST_DRAWN, WIDTHS, buckets, levels
from pipeline.report.drain_packed import Columns, packed_levels

NOON = datetime(2031, 3, 10, 12, tzinfo=UTC)

_reading = st.one_of(st.none(), st.integers(-300, 300).map(lambda n: n / 10))
_minute = st.fixed_dictionaries(
    {
        "there": st.sampled_from(["seen", "seen", "seen", "hole", "no row"]),
        "air_leak_ml_min": _reading,
        "leak_median_ml_min": _reading,
        "pressure_mean_cmh2o": _reading,
        "pressure_min_cmh2o": _reading,
        "pressure_max_cmh2o": _reading,
        "set_pressure_cmh2o": _reading,
        "swing_cmh2o": _reading,
        "output_ml": _reading,
        "volume_read": st.one_of(st.none(), st.booleans()),
    }
)
courses = st.lists(_minute, min_size=1, max_size=90)


def frame_of(rows: list[dict]) -> pl.DataFrame:
    """Rows of a course; a hole has a row without readings, time between two uses has none."""
    told = [
        {
            "minute": NOON + timedelta(minutes=place),
            "seen": row["there"] == "seen",
            **{k: v if row["there"] == "seen" else None for k, v in row.items() if k != "there"},
        }
        for place, row in enumerate(rows)
        if row["there"] != "no row" or place == 0
    ]
    floats = {k: pl.Float64 for k in rows[0] if k not in ("there", "volume_read")}
    return pl.DataFrame(told, schema_overrides={**floats, "volume_read": pl.Boolean})


@given(courses, st.sampled_from([1, 2, 4, 7, 15, 60]))
@settings(max_examples=150)
def test_each_bucket_says_the_least_and_the_greatest_of_its_minutes(rows: list[dict], width: int) -> None:
    minutes = frame_of(rows)
    for bucket in buckets(minutes, width).iter_rows(named=True):
        begin = NOON + timedelta(minutes=bucket["place"])
        end = begin + timedelta(minutes=bucket["minutes"])
        inside = minutes.filter(pl.col("minute") >= begin, pl.col("minute") < end)
        assert inside.height == bucket["minutes"] <= width
        for name, (low, high) in DRAWN.items():
            assert bucket[f"{name}_lo"] == inside.select(low.alias("v"))["v"].min()
            assert bucket[f"{name}_hi"] == inside.select(high.alias("v"))["v"].max()


@given(courses, st.sampled_from([1, 2, 4, 7, 15, 60]))
@settings(max_examples=150)
def test_buckets_cover_each_logged_minute_once_and_no_minute_that_is_missing(
    rows: list[dict], width: int
) -> None:
    minutes = frame_of(rows)
    covered = [
        place
        for first, many in buckets(minutes, width).select("place", "minutes").iter_rows()
        for place in range(first, first + many)
    ]
    seen = minutes.filter("seen")["minute"].to_list()
    assert [NOON + timedelta(minutes=place) for place in covered] == seen


def test_a_spike_of_one_minute_is_in_the_coarsest_picture_of_a_month() -> None:
    n = 30 * 1440
    log = pl.DataFrame(
        {
            "minute": [NOON + timedelta(minutes=t) for t in range(n)],
            "seen": [True] * n,
            "air_leak_ml_min": [4000.0 if t == 31_337 else 0.0 for t in range(n)],
        }
    )
    made = levels(log)
    assert list(made) == [1, 4, 15, 60]
    assert made[60].height <= MOST_DRAWN < made[15].height
    assert all(level["leak_hi"].max() == 4000.0 for level in made.values())
    assert all((level["leak_hi"] > 0).sum() == 1 for level in made.values())


def test_an_hour_needs_no_second_level() -> None:
    log = pl.DataFrame({"minute": [NOON + timedelta(minutes=t) for t in range(60)], "seen": [True] * 60})
    assert list(levels(log)) == [WIDTHS[0]]


def test_fluid_that_was_not_read_is_no_reading() -> None:
    log = pl.DataFrame(
        {
            "minute": [NOON + timedelta(minutes=t) for t in range(3)],
            "seen": [True] * 3,
            "output_ml": [10.0, 10.0, 12.0],
            "volume_read": [True, False, True],
        }
    )
    found = buckets(log, 1)
    assert found["output_hi"].to_list() == [10.0, None, 12.0]
    assert found["floor_hi"].to_list() == [None, 10.0, None]


def unpacked(column: dict) -> list[float | None]:
    """As the page's script reads a column."""
    each = column.get("each")
    if each is None:
        runs = column["runs"]
        each = [value for value, many in zip(runs[::2], runs[1::2], strict=True) for _ in range(many)]
    return [None if value is None else value / 10 ** column["digits"] for value in each]


@given(courses)
@settings(max_examples=60)
def test_what_is_written_small_reads_as_it_was(rows: list[dict]) -> None:
    made = levels(frame_of(rows))
    columns = Columns()
    for level, (width, frame) in zip(packed_levels(made, columns), made.items(), strict=True):
        assert level["width"] == width
        lengths = unpacked(columns.written[level["minutes"]])
        assert lengths == frame["minutes"].to_list()
        places, until = [], 0.0
        for skipped, many in zip(unpacked(columns.written[level["skipped"]]), lengths, strict=True):
            places.append(until + skipped)
            until = places[-1] + many
        assert places == frame["place"].to_list()
        for name, (low, high) in level["drawn"].items():
            assert unpacked(columns.written[low]) == frame[f"{name}_lo"].to_list()
            assert unpacked(columns.written[high]) == frame[f"{name}_hi"].to_list()
