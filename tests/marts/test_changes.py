"""What a publication changed, and the dump that two publications are compared by."""

from __future__ import annotations

from datetime import UTC, datetime

import duckdb
import polars as pl

from pipeline.marts import changes, dump
from schemas.published import CHANGE

NOON = datetime(2031, 3, 1, 12, tzinfo=UTC)


def test_a_first_publication_changes_nothing(ward_month, tmp_path):
    drain = ward_month.frames["drain"]
    for before in (None, tmp_path / "nothing_here.duckdb"):
        found = changes(before, drain, "file")
        assert found.is_empty()
        assert found.schema == pl.Schema(CHANGE.dtypes)


def test_the_same_drains_again_change_nothing(ward_month, tmp_path):
    target = ward_month.publish(tmp_path / "drainledger.duckdb")
    assert changes(target, ward_month.frames["drain"].reverse(), "file").is_empty()


def test_every_value_that_differs_is_listed_as_text(ward_month, tmp_path):
    target = ward_month.publish(tmp_path / "drainledger.duckdb")
    here = pl.col("drain_id") == "d3a"
    now = ward_month.frames["drain"].with_columns(
        prolonged_leak=pl.when(here).then(pl.lit("yes")).otherwise("prolonged_leak"),
        leak_hours=pl.when(here).then(130.25),
        leak_ended_at=pl.when(here).then(pl.lit(NOON)),
        leak_ongoing_at_end=pl.when(here).then(pl.lit(False)),
        tube_out_at=pl.when(~here).then("tube_out_at"),
    )
    found = changes(target, now, "registry")
    assert CHANGE.validate(found).rows() == [
        ("d3a", "leak_ended_at", None, "2031-03-01T12:00:00Z", "registry"),
        ("d3a", "leak_hours", None, "130.25", "registry"),
        ("d3a", "leak_ongoing_at_end", None, "false", "registry"),
        ("d3a", "prolonged_leak", "no", "yes", "registry"),
        ("d3a", "tube_out_at", "2031-03-05T12:00:00Z", None, "registry"),
    ]


def test_a_drain_that_came_or_went_is_one_row(ward_month, tmp_path):
    target = ward_month.publish(tmp_path / "drainledger.duckdb")
    drain = ward_month.frames["drain"]
    came = drain.filter(pl.col("drain_id") == "d9a").with_columns(drain_id=pl.lit("new"))
    now = pl.concat([drain.filter(pl.col("drain_id") != "d9a"), came])
    causes = pl.DataFrame({"drain_id": ["new", "d9a"], "cause": ["file", "annotation"]})
    assert changes(target, now, causes).rows() == [
        ("d9a", "drain_id", "d9a", None, "annotation"),
        ("new", "drain_id", None, "new", "file"),
    ]


def test_a_drain_without_a_known_cause_has_none(ward_month, tmp_path):
    target = ward_month.publish(tmp_path / "drainledger.duckdb")
    now = ward_month.frames["drain"].with_columns(canister_changes=pl.lit(1, dtype=pl.Int32))
    causes = pl.DataFrame({"drain_id": ["d1a"], "cause": ["code"]})
    found = changes(target, now, causes)
    assert found.height == now.height
    assert dict(found.select("drain_id", "cause").rows())["d1a"] == "code"
    assert found["cause"].null_count() == now.height - 1


def test_a_database_that_cannot_be_read_is_no_reason_not_to_publish(ward_month, tmp_path):
    broken = tmp_path / "drainledger.duckdb"
    broken.write_bytes(b"damaged" * 4096)
    assert changes(broken, ward_month.frames["drain"], "file").is_empty()
    ward_month.publish(broken)
    assert len(dump(broken)["drain"]) == 13


def test_the_dump_leaves_out_when_and_keeps_what(ward_month, tmp_path):
    def published(name, built_at, loaded_at, lake_versions):
        ward_month.frames["load_file"] = ward_month.frames["load_file"].with_columns(
            loaded_at=pl.lit(loaded_at)
        )
        ward_month.frames["provenance"] = ward_month.frames["provenance"].clear()
        ward_month.put(
            "provenance",
            [
                {
                    "code_version": "1",
                    "settings_digest": "x",
                    "lake_versions": lake_versions,
                    "built_at": built_at,
                }
            ],
        )
        return dump(ward_month.publish(tmp_path / name))

    one = published("a.duckdb", NOON, NOON, "{}")
    ward_month.put("change", [{"drain_id": "d1a", "column": "leak_hours", "before": "1.0", "cause": "code"}])
    later = datetime(2031, 7, 1, tzinfo=UTC)
    two = published("b.duckdb", later, later, '{"course": 7}')
    assert one == two
    assert "change" not in one
    assert one["provenance"] == [("1", "x")]
    ward_month.frames["drain"] = ward_month.frames["drain"].with_columns(
        completeness=pl.lit(0.1) + pl.lit(0.2)
    )
    ward_month.publish(tmp_path / "c.duckdb")
    assert dump(tmp_path / "c.duckdb")["drain"] != one["drain"]
    assert 0.1 + 0.2 in dump(tmp_path / "c.duckdb")["drain"][0]


def test_a_column_that_the_database_before_did_not_have_counts_as_null_there(ward_month, tmp_path):
    older = tmp_path / "older.duckdb"
    drain = ward_month.frames["drain"]
    with duckdb.connect(str(older)) as connection:
        kept = drain.drop("origin_day").with_columns(dropped_since=pl.lit(1))
        connection.register("kept", kept)
        connection.execute("CREATE TABLE drain AS SELECT * FROM kept")
    found = changes(older, drain.head(2), "code").filter(pl.col("column") != "drain_id")
    assert found.rows() == [
        (drain_id, "origin_day", None, str(day), "code")
        for drain_id, day in drain.head(2).select("drain_id", "origin_day").sort("drain_id").rows()
    ]
