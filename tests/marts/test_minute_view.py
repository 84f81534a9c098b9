"""The view `minute`: which minutes of a device belong to which drain, and the fluid since it began."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import polars as pl
import pytest

from pipeline.marts import dump, select
from schemas.errors import LedgerError
from schemas.views import MINUTE_VIEW

START = datetime(2031, 3, 10, 12, tzinfo=UTC)


def served(drain_id, first, until, before=0.0, use_id="u"):
    return {
        "drain_id": drain_id,
        "use_id": use_id,
        "from_at": START + timedelta(minutes=first),
        "until_at": START + timedelta(minutes=until),
        "output_before_ml": before,
    }


def minutes_of(cohort, tmp_path, where="true"):
    target = cohort.publish(tmp_path / "drainledger.duckdb")
    return select(target, f"FROM minute WHERE {where} ORDER BY drain_id, minute", tmp_path / "lake")


def test_a_use_of_two_patients_is_cut_between_them(nothing, tmp_path, minutes_from):
    nothing.course(tmp_path / "lake", minutes_from("u", START, 6, output_ml=lambda i: 10.0 * i))
    nothing.put("drain_use", [served("a", 0, 4), served("b", 4, 6, before=-40.0)])
    found = minutes_of(nothing, tmp_path)
    assert found["drain_id"].to_list() == ["a"] * 4 + ["b"] * 2
    assert found["output_ml"].to_list() == [0.0, 10.0, 20.0, 30.0, 0.0, 10.0]


def test_a_drain_on_two_devices_goes_on_counting_fluid(nothing, tmp_path, minutes_from):
    nothing.course(
        tmp_path / "lake",
        minutes_from("u", START, 2, output_ml=50.0)
        + minutes_from("v", START + timedelta(minutes=2), 2, output_ml=5.0),
    )
    nothing.put("drain_use", [served("a", 0, 2), served("a", 2, 4, before=50.0, use_id="v")])
    assert minutes_of(nothing, tmp_path)["output_ml"].to_list() == [50.0, 50.0, 55.0, 55.0]


def test_fluid_is_never_negative_and_stays_unknown_where_it_is(nothing, tmp_path, minutes_from):
    nothing.course(tmp_path / "lake", minutes_from("u", START, 3, output_ml=lambda i: [None, 1.0, 9.0][i]))
    nothing.put("drain_use", [served("a", 0, 3, before=-2.0), served("b", 0, 3, before=None)])
    assert minutes_of(nothing, tmp_path)["output_ml"].to_list() == [None, 0.0, 7.0, None, None, None]


def test_fluid_carried_over_unread_minutes_says_so(nothing, tmp_path, minutes_from):
    rows = minutes_from("u", START, 3, output_ml=5.0, volume_read=lambda i: i != 1)
    nothing.course(tmp_path / "lake", rows)
    nothing.put("drain_use", [served("a", 0, 3)])
    assert minutes_of(nothing, tmp_path)["volume_read"].to_list() == [True, False, True]


def test_a_shared_use_gives_its_minutes_to_both_drains_and_an_unclaimed_one_to_none(
    nothing, tmp_path, minutes_from
):
    nothing.course(tmp_path / "lake", minutes_from("u", START, 2) + minutes_from("stray", START, 5))
    nothing.put("drain_use", [served("a", 0, 2), served("b", 0, 2)])
    assert minutes_of(nothing, tmp_path)["drain_id"].to_list() == ["a", "a", "b", "b"]


def test_flags_come_as_a_list_and_times_in_utc(nothing, tmp_path, minutes_from):
    nothing.course(tmp_path / "lake", minutes_from("u", START, 1, flags=["leak", "tilted"]))
    nothing.put("drain_use", [served("a", 0, 1)])
    found = minutes_of(nothing, tmp_path, "list_contains(flags, 'tilted')")
    assert found.schema == pl.Schema(MINUTE_VIEW.dtypes)
    assert found["flags"].to_list() == [["leak", "tilted"]]
    assert found["minute"].to_list() == [START]


def test_minutes_of_a_home_that_was_moved_say_so_and_what_to_do(nothing, tmp_path, minutes_from):
    (tmp_path / "old").mkdir()
    nothing.course(tmp_path / "old" / "lake", minutes_from("u", START, 2))
    nothing.put("drain_use", [served("a", 0, 2)])
    nothing.publish(tmp_path / "old" / "drainledger.duckdb")
    moved = (tmp_path / "old").rename(tmp_path / "new")
    for query in ("FROM minute", "WITH m AS (SELECT * FROM minute) SELECT count(*) FROM m"):
        with pytest.raises(LedgerError, match="a home was moved; load once more"):
            select(moved / "drainledger.duckdb", query, moved / "lake")
    assert select(moved / "drainledger.duckdb", "FROM drain", moved / "lake").is_empty()


def test_files_of_different_age_and_odd_folders_are_read_together(nothing, tmp_path, minutes_from):
    lake = tmp_path / "lake" / "o'clock [x]" / "bucket=7"
    nothing.course(lake, minutes_from("u", START, 1, swing_cmh2o=2.0), "new.parquet")
    older = pl.read_parquet(nothing.course_files[0], glob=False).drop("swing_cmh2o")
    older.with_columns(pl.lit("v").alias("use_id")).write_parquet(lake / "old.parquet")
    nothing.course_files.append(str(lake / "old.parquet"))
    nothing.put("drain_use", [served("a", 0, 1), served("b", 0, 1, use_id="v")])
    assert minutes_of(nothing, tmp_path)["swing_cmh2o"].to_list() == [2.0, None]


def test_the_order_of_the_files_does_not_show(nothing, tmp_path, minutes_from):
    nothing.course(tmp_path / "lake", minutes_from("u", START, 3), "a.parquet")
    nothing.course(tmp_path / "lake", minutes_from("v", START, 3), "b.parquet")
    nothing.put("drain_use", [served("x", 0, 3), served("y", 0, 3, use_id="v")])
    straight = dump(nothing.publish(tmp_path / "straight.duckdb"))
    nothing.course_files.reverse()
    assert dump(nothing.publish(tmp_path / "turned.duckdb")) == straight
    assert len(straight["minute"]) == 6


def test_a_lake_file_that_has_gone_is_said_in_one_sentence(nothing, tmp_path, minutes_from):
    nothing.course(tmp_path / "lake", minutes_from("u", START, 1))
    target = nothing.publish(tmp_path / "drainledger.duckdb")
    for file in (tmp_path / "lake").iterdir():
        file.unlink()
    with pytest.raises(LedgerError, match="a file of the lake cannot be read"):
        select(target, "FROM minute", tmp_path / "lake")
    assert select(target, "SELECT count(*) AS n FROM drain", tmp_path / "lake")["n"][0] == 0
