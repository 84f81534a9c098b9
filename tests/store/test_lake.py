from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import polars as pl
import pytest

from pipeline.store.buckets import BUCKETS, bucket_of
from pipeline.store.had import Had
from pipeline.store.lake import Lake
from schemas.derivation import MADE
from schemas.lake import BEDSIDE, USE_ALERT

OWNER = pl.format("{}:{}", "site", "device")
NOON = datetime(2031, 3, 10, 12, tzinfo=UTC)


def alerts(*devices: str, minutes: int = 1) -> pl.DataFrame:
    return USE_ALERT.conform(
        pl.DataFrame(
            {
                "use_id": [f"lakeside:{d}/1@x" for d in devices],
                "site": ["lakeside"] * len(devices),
                "device": list(devices),
                "code": ["battery_low"] * len(devices),
                "started_at": [NOON] * len(devices),
                "ended_at": [NOON] * len(devices),
                "minutes": [minutes] * len(devices),
            },
            schema_overrides={"started_at": pl.Datetime("us", "UTC"), "ended_at": pl.Datetime("us", "UTC")},
        )
    )


def test_replacing_one_device_leaves_the_others_alone(tmp_path: Path) -> None:
    lake = Lake(tmp_path)
    lake.replace(USE_ALERT, {"lakeside:A": "1", "lakeside:B": "1"}, alerts("A", "B"), OWNER)
    lake.replace(USE_ALERT, {"lakeside:A": "2"}, alerts("A", minutes=9), OWNER)
    rows = lake.scan(USE_ALERT).collect().sort("device").select("device", "minutes").rows()
    assert rows == [("A", 9), ("B", 1)]


def test_of_a_device_only_the_uses_that_are_to_go_are_replaced(tmp_path: Path) -> None:
    lake = Lake(tmp_path)
    first, second = (alerts("A", minutes=m).with_columns(use_id=pl.lit(f"lakeside:A/{m}")) for m in (1, 2))
    lake.replace(USE_ALERT, {"lakeside:A": "1"}, pl.concat([first, second]), OWNER)
    lake.replace(USE_ALERT, {"lakeside:B": "1"}, alerts("B"), OWNER, Had(frozenset()))
    had = Had(frozenset({"lakeside:B"}), frozenset({"lakeside:A/2"}))
    new = second.with_columns(minutes=pl.lit(9, pl.Int32))
    lake.replace(USE_ALERT, {"lakeside:A": "2", "lakeside:B": "2"}, new, OWNER, had)
    rows = lake.scan(USE_ALERT).collect().sort("use_id").select("device", "minutes").rows()
    assert rows == [("A", 1), ("A", 9)]


def test_a_device_without_rows_loses_what_it_had(tmp_path: Path) -> None:
    lake = Lake(tmp_path)
    lake.replace(USE_ALERT, {"lakeside:A": "1", "lakeside:B": "1"}, alerts("A", "B"), OWNER)
    lake.replace(USE_ALERT, {"lakeside:A": "2"}, USE_ALERT.empty(), OWNER)
    assert lake.scan(USE_ALERT).collect()["device"].to_list() == ["B"]


def test_a_quote_in_an_owner_is_no_way_out_of_the_predicate(tmp_path: Path) -> None:
    lake = Lake(tmp_path)
    nasty = "x' OR '1'='1"
    lake.replace(USE_ALERT, {"lakeside:A": "1", f"lakeside:{nasty}": "1"}, alerts("A", nasty), OWNER)
    lake.replace(USE_ALERT, {f"lakeside:{nasty}": "2"}, USE_ALERT.empty(), OWNER)
    assert lake.scan(USE_ALERT).collect()["device"].to_list() == ["A"]


def test_rows_can_be_read_by_their_owners(tmp_path: Path) -> None:
    lake = Lake(tmp_path)
    names = [f"D{n}" for n in range(40)]
    lake.replace(USE_ALERT, {f"lakeside:{n}": "1" for n in names}, alerts(*names), OWNER)
    found = lake.scan_owners(USE_ALERT, ["lakeside:D3", "lakeside:D31"]).collect()
    assert sorted(found["device"]) == ["D3", "D31"]


def test_only_a_table_by_the_minute_has_a_file_a_bucket(tmp_path: Path) -> None:
    lake = Lake(tmp_path)
    names = [f"D{n}" for n in range(40)]
    owners = {f"lakeside:{n}": "1" for n in names}
    lake.replace(USE_ALERT, owners, alerts(*names), OWNER)
    minutes = pl.DataFrame({"drain_id": list(owners), "minute": [NOON] * 40, "stopped_so_far": [0] * 40})
    lake.replace(BEDSIDE, owners, BEDSIDE.conform(minutes), pl.col("drain_id"))
    assert len(lake.files(USE_ALERT)) == 1
    assert len(lake.files(BEDSIDE)) == len({bucket_of(owner) for owner in owners}) > 1


def test_rows_that_an_earlier_version_put_into_buckets_are_found_and_replaced(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    lake = Lake(tmp_path)
    names = [f"D{n}" for n in range(40)]
    with monkeypatch.context() as earlier:
        earlier.setattr("pipeline.store.lake.bucket_in", lambda table, owner: bucket_of(owner))
        lake.replace(USE_ALERT, {f"lakeside:{n}": "1" for n in names}, alerts(*names), OWNER)
    assert len(lake.files(USE_ALERT)) > 1
    moved = {f"lakeside:{n}": "2" for n in names[:30]}
    lake.replace(USE_ALERT, moved, alerts(*names[:20], minutes=9), OWNER)
    rows = lake.scan(USE_ALERT).collect().select("device", "minutes").rows()
    assert sorted(rows) == sorted([*((n, 9) for n in names[:20]), *((n, 1) for n in names[30:])])
    assert lake.scan_owners(USE_ALERT, ["lakeside:D3", "lakeside:D25", "lakeside:D31"]).collect().height == 2


def test_a_table_never_written_is_empty_and_has_its_columns(tmp_path: Path) -> None:
    lake = Lake(tmp_path)
    assert lake.scan(USE_ALERT).collect().equals(USE_ALERT.empty())
    assert lake.scan_owners(USE_ALERT, ["a:b"]).collect().equals(USE_ALERT.empty())
    assert lake.version(USE_ALERT) is None
    assert lake.files(USE_ALERT) == []


def test_every_version_of_a_table_stays_readable(tmp_path: Path) -> None:
    lake = Lake(tmp_path)
    lake.replace(USE_ALERT, {"lakeside:A": "1"}, alerts("A", minutes=1), OWNER)
    version = lake.version(USE_ALERT)
    lake.replace(USE_ALERT, {"lakeside:A": "2"}, alerts("A", minutes=2), OWNER)
    then = pl.scan_delta(str(lake.path(USE_ALERT)), version=version).collect()
    assert then["minutes"].to_list() == [1]


def test_derived_rows_carry_the_digest_of_what_made_them(tmp_path: Path) -> None:
    lake = Lake(tmp_path)
    lake.replace(USE_ALERT, {"lakeside:A": "made-of-this"}, alerts("A"), OWNER)
    assert pl.read_delta(str(lake.path(USE_ALERT)))["made_from"].to_list() == ["made-of-this"]


def test_removal_takes_just_the_named_rows(tmp_path: Path) -> None:
    lake = Lake(tmp_path)
    digests = dict.fromkeys(("files", "registry", "annotations", "definitions", "code"), "0")
    rows = [{"stage": "device", "subject": s, **digests} for s in ("a", "b")]
    lake.append(MADE, pl.DataFrame(rows, schema=MADE.dtypes))
    lake.remove(MADE, "subject", ["a"])
    assert lake.scan(MADE).collect()["subject"].to_list() == ["b"]


def test_buckets_are_spread_and_stable() -> None:
    buckets = {bucket_of(f"lakeside:DV-{n:04}") for n in range(200)}
    assert buckets == set(range(BUCKETS))
    assert bucket_of("lakeside:DV-0001") == bucket_of("lakeside:DV-0001")


@pytest.mark.parametrize(
    "name", ["Shared Drive", "Zürich", "a#b", "k=v, w;x", "it's", 'the "north"', "(1)+&$~"]
)
def test_a_lake_lives_in_a_folder_of_any_ordinary_name(tmp_path: Path, name: str) -> None:
    lake = Lake(tmp_path / name)
    lake.replace(USE_ALERT, {"lakeside:A": "1", "lakeside:B": "1"}, alerts("A", "B"), OWNER)
    lake.replace(USE_ALERT, {"lakeside:A": "2"}, alerts("A", minutes=9), OWNER)
    lake.remove(USE_ALERT, "owner", ["lakeside:B"])
    assert lake.scan(USE_ALERT).collect()["minutes"].to_list() == [9]
    assert lake.scan_owners(USE_ALERT, ["lakeside:A"]).collect().height == 1
    assert all(Path(file).is_file() for file in lake.files(USE_ALERT))


def test_a_clock_that_goes_on_from_minute_to_minute_takes_next_to_no_room(tmp_path: Path) -> None:
    lake, count = Lake(tmp_path), 50_000
    start = datetime(2031, 3, 10, tzinfo=UTC)
    minutes = pl.datetime_range(start, interval="1m", end=start.replace(month=5), eager=True)[:count]
    rows = BEDSIDE.conform(pl.DataFrame({"drain_id": "d", "minute": minutes}))
    lake.replace(BEDSIDE, {"d": "x"}, rows, pl.col("drain_id"))
    assert sum(Path(file).stat().st_size for file in lake.files(BEDSIDE)) < count / 4  # of 8 bytes each
    assert lake.scan(BEDSIDE).collect().sort("minute")["minute"].equals(minutes)
