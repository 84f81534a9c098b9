"""A whole simulated fleet: the same again, the truth beside it, every story told."""

import gzip
from collections.abc import Callable
from datetime import date
from pathlib import Path
from types import SimpleNamespace

import polars as pl
import pytest

from pipeline.definitions import load_definitions
from pipeline.simulate import Simulation, simulate
from pipeline.simulate.paperwork import minute_truth
from pipeline.simulate.sites import LAKESIDE
from pipeline.simulate.ward import device_shift
from schemas.errors import CallError

DRAINS = 36


@pytest.fixture(scope="module")
def fleet(tmp_path_factory: pytest.TempPathFactory) -> Simulation:
    return simulate(tmp_path_factory.mktemp("fleet") / "out", DRAINS, seed=4)


def contents(root: Path) -> dict[str, bytes]:
    return {str(path.relative_to(root)): path.read_bytes() for path in root.rglob("*") if path.is_file()}


def rows_of(path: Path) -> list[str]:
    data = path.read_bytes()
    text = (gzip.decompress(data) if path.suffix == ".gz" else data).decode("cp1252")
    lines = [line for line in text.splitlines() if not line.startswith("#")]
    return [line for line in lines if line[:1].isdigit() or line[:1] == ","]


def test_the_same_seed_writes_the_same_bytes(fleet: Simulation, tmp_path: Path) -> None:
    again = simulate(tmp_path / "again", DRAINS, seed=4)
    assert contents(again.root) == contents(fleet.root)


def test_a_drain_is_the_same_however_many_are_simulated(fleet: Simulation, tmp_path: Path) -> None:
    fewer = simulate(tmp_path / "fewer", 10, seed=4)
    for path in (fewer.truth / "minute").iterdir():
        assert path.read_bytes() == (fleet.truth / "minute" / path.name).read_bytes()
    many = pl.read_parquet(fleet.truth / "drain.parquet").filter(pl.col("number") < 10)
    assert pl.read_parquet(fewer.truth / "drain.parquet").equals(many)


def test_files_lie_where_the_truth_says_and_hold_as_many_rows(fleet: Simulation) -> None:
    files = pl.read_parquet(fleet.truth / "file.parquet")
    assert sorted(fleet.log_files) == sorted(path for path in fleet.logs.rglob("*") if path.is_file())
    assert files.select("site", "name").is_unique().all()
    for row in files.iter_rows(named=True):
        path = fleet.logs / row["site"] / row["name"]
        assert path.stat().st_size == row["bytes"]
        assert len(rows_of(path)) == row["rows"]


def test_the_truth_of_a_stay_without_a_log_has_the_same_columns_and_no_minute() -> None:
    lived = SimpleNamespace(
        truth=pl.DataFrame({"minute": [1, 2], "running": [True, True], "leak": [0.1, 0.2]})
    )
    stay = {"lived": lived, "site": SimpleNamespace(name="lakeside"), "number": 0, "rows": []}
    logged = minute_truth(SimpleNamespace(**stay, on_devices=[("DV-0001", 1, 0, 2)]))  # type: ignore[arg-type]
    nowhere = minute_truth(SimpleNamespace(**stay, on_devices=[]))  # type: ignore[arg-type]
    assert (nowhere.schema, nowhere.height, logged.height) == (logged.schema, 0, 2)


def test_every_logged_minute_of_the_truth_is_in_some_export(fleet: Simulation) -> None:
    """By device: distinct rows over all exports, conflicting ones apart, are the minutes that were logged."""
    files = pl.read_parquet(fleet.truth / "file.parquet")
    minutes = pl.read_parquet(fleet.truth / "minute" / "*.parquet").filter("logged")
    for (site, device), some in files.group_by("site", "device"):
        if some["conflicting"].any():
            continue
        distinct = {row for name in some["name"] for row in rows_of(fleet.logs / str(site) / name)}
        logged = minutes.filter(site=site, device=device)
        assert len(distinct) == logged.height, (site, device)


def test_every_use_of_the_truth_is_claimed_by_its_drain(fleet: Simulation) -> None:
    drains = pl.read_parquet(fleet.truth / "drain.parquet")
    minutes = pl.read_parquet(fleet.truth / "minute" / "*.parquet")
    uses = minutes.select("number", use=pl.format("{}/{}", "device", "session")).unique()
    claimed = drains.select("number", use=pl.col("uses")).explode("use").drop_nulls().unique()
    assert uses.sort("number", "use").equals(claimed.sort("number", "use"))


def test_drain_truth_agrees_with_minute_truth(fleet: Simulation) -> None:
    minutes = pl.read_parquet(fleet.truth / "minute" / "*.parquet")
    drains = pl.read_parquet(fleet.truth / "drain.parquet")
    leaking = minutes.filter("leaking").group_by("number").agg(last=pl.col("minute").max())
    for row in drains.join(leaking, on="number", how="left").iter_rows(named=True):
        if row["last"] is None or row["story"] in ("device_swapped", "no_log"):
            continue
        assert (row["leak_ended_at"] is None) == row["leaking_at_end"]
        hours = (row["last"] - row["origin_at"]).total_seconds() / 3600
        assert row["leak_hours"] == pytest.approx(hours, abs=0.02)
        if not row["prolonged"]:
            assert hours < 126
        assert not (row["expected_prolonged_leak"] == "no" and row["leaking_at_end"])


def test_every_story_is_told_in_time() -> None:
    told = set()
    for device_no in range(1, 14):
        shift = device_shift(
            9,
            LAKESIDE,
            device_no,
            list(range(6 * device_no, 6 * device_no + 6)),
            date(2031, 1, 1),
            60,
            load_definitions(),
            lambda lived: lived,
        )
        told |= {stay.story for stay in shift.stays}
    assert told == {
        "plain",
        "device_swapped",
        "mistaken_new_session",
        "nobody_told_the_device",
        "shared_use",
        "unlinked",
        "no_log",
        "wrong_dates",
        "late_entry",
    }


def test_an_untold_device_counts_two_patients_as_one_use() -> None:
    for device_no in range(1, 30):
        numbers = list(range(6 * device_no, 6 * device_no + 6))
        shift = device_shift(
            9, LAKESIDE, device_no, numbers, date(2031, 1, 1), 60, load_definitions(), lambda lived: lived
        )
        for before, after in zip(shift.stays, shift.stays[1:], strict=False):
            if after.story == "nobody_told_the_device" and before.story == "plain" and after.on_devices:
                assert before.on_devices[-1][:2] == after.on_devices[0][:2]
                assert (after.lived.start - before.lived.end).total_seconds() < 24 * 3600
                return
    pytest.fail("no such pair in 29 devices")


def test_traces_come_only_where_the_layout_has_them(tmp_path: Path) -> None:
    made = simulate(tmp_path / "traced", 2, seed=11, traces_every_min=60)
    for path in made.log_files:
        if path.parent.name == "lakeside":
            traced = [row for row in rows_of(path) if len(row.rsplit(",", 1)[1].split()) == 300]
            assert len(traced) >= len(rows_of(path)) // 60 - 1


@pytest.mark.parametrize(
    "call",
    [
        lambda out: simulate(out, 0, 1),
        lambda out: simulate(out, 1, 1, days=0),
        lambda out: simulate(out, 1, 1, traces_every_min=0),
        lambda out: simulate(out.parent, 1, 1),
    ],
)
def test_a_senseless_call_says_so_and_writes_nothing(call: Callable[[Path], object], tmp_path: Path) -> None:
    (tmp_path / "something").write_text("here")
    with pytest.raises(CallError, match="simulate: "):
        call(tmp_path / "out")
    assert [path.name for path in tmp_path.iterdir()] == ["something"]
