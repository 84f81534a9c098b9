"""What does not add up between sites, devices, registries and files, and what says so."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import polars as pl
import pytest

from flows.cli import DONE, SOME_REJECTED, run
from flows.looking.published import look_at
from pipeline.cohort import reconcile
from pipeline.definitions import load_definitions
from pipeline.store import Home
from schemas.lake import LOAD_FILE, REJECTED_ROW, USE_TABLE
from schemas.registry import REGISTRY_DRAIN

DEFINITIONS = load_definitions()
FIRST = date(2031, 3, 3)


def files(site: str, days: list[int], device: str | None = "DV-1", **more: object) -> pl.DataFrame:
    """A log a day of export, counted from a Monday."""
    rows = [
        {
            "file_sha256": f"{site}{device}{day:03}",
            "site": site,
            "device": device,
            "status": "loaded",
            "profile": "v1",
            "exported_at": datetime.combine(FIRST + timedelta(days=day), datetime.min.time(), UTC),
        }
        | more
        for day in days
    ]
    return LOAD_FILE.conform(pl.DataFrame(rows))


def found(*logs: pl.DataFrame, registry: pl.DataFrame | None = None) -> list[tuple[object, ...]]:
    rows = reconcile(
        pl.concat(logs),
        REJECTED_ROW.empty(),
        USE_TABLE.empty(),
        REGISTRY_DRAIN.empty() if registry is None else registry,
        DEFINITIONS,
    )
    return rows.select("site", "device", "finding").rows()


def used(*ends: int) -> pl.DataFrame:
    """A use a day of end, of one device each."""
    rows = [
        {
            "use_id": f"lakeside:DV-{at}/1",
            "site": "lakeside",
            "device": f"DV-{at}",
            "session": 1,
            "ended_at": datetime.combine(FIRST + timedelta(days=day), datetime.min.time(), UTC),
            "minutes_observed": 60,
        }
        for at, day in enumerate(ends)
    ]
    return USE_TABLE.conform(pl.DataFrame(rows))


def drains(site: str, *named: str) -> pl.DataFrame:
    rows = [
        {"site": site, "drain_key": f"K{at}", "uses": [pair] if "/" in pair else None, "devices": [pair]}
        for at, pair in enumerate(named)
    ]
    return REGISTRY_DRAIN.conform(pl.DataFrame(rows, schema_overrides={"uses": pl.List(pl.String)}))


WORKDAYS = [week * 7 + day for week in range(4) for day in range(5)]


def test_a_site_that_stopped_sending_is_silent() -> None:
    assert found(files("lakeside", WORKDAYS), files("hillside", [*WORKDAYS, 40], "DV-2")) == [
        ("lakeside", None, "site_silent")
    ]


def test_a_clock_decades_ahead_is_found_and_silences_nobody_else() -> None:
    decades = 20_000
    ahead = files("hillside", [decades], "DV-2")
    assert found(files("lakeside", WORKDAYS), ahead) == []
    logs = pl.concat([files("lakeside", WORKDAYS), ahead])
    rows = reconcile(logs, REJECTED_ROW.empty(), used(0, 9, decades), REGISTRY_DRAIN.empty(), DEFINITIONS)
    assert rows.select("device", "finding").rows() == [("DV-2", "dates_far_off")]
    assert "lies 55 years after" in rows["detail"][0]


def test_a_long_weekend_is_not_silence() -> None:
    assert found(files("lakeside", WORKDAYS), files("hillside", [*WORKDAYS, 29], "DV-2")) == []


def test_silence_is_counted_to_the_newest_file_of_the_ledger_a_registry_too() -> None:
    registry = files("lakeside", [60], None, profile="drain-registry")
    assert found(files("lakeside", WORKDAYS), registry) == [("lakeside", None, "site_silent")]
    assert found(files("lakeside", WORKDAYS)) == []


def test_a_site_whose_habit_nobody_knows_is_not_judged() -> None:
    assert found(files("lakeside", [0, 1, 2]), files("hillside", [200], "DV-2")) == []


def test_a_monthly_site_is_silent_after_two_months_not_after_one() -> None:
    monthly = [0, 30, 60, 90, 120]
    assert found(files("lakeside", monthly), files("hillside", [170], "DV-2")) == []
    assert found(files("lakeside", monthly), files("hillside", [181], "DV-2")) == [
        ("lakeside", None, "site_silent")
    ]


def test_devices_that_only_one_side_knows_are_named() -> None:
    registry = drains("lakeside", "DV-1/3", "DV-7")
    logs = [files("lakeside", [0]), files("lakeside", [0], "DV-2;DV-3"), files("hillside", [0], "DV-9")]
    assert found(*logs, registry=registry.with_columns(devices=pl.lit(["DV-7"]))) == [
        ("lakeside", "DV-2", "device_not_in_registry"),
        ("lakeside", "DV-3", "device_not_in_registry"),
        ("lakeside", "DV-7", "device_without_log"),
    ]


def test_drains_without_a_log_are_counted_in_words_that_agree() -> None:
    registry = drains("lakeside", "DV-7", "DV-8", "DV-8")
    rows = reconcile(
        files("lakeside", [0]), REJECTED_ROW.empty(), USE_TABLE.empty(), registry, DEFINITIONS
    ).filter(pl.col("finding") == "device_without_log")
    assert dict(rows.select("device", "detail").rows()) == {
        "DV-7": "the registry names it for 1 drain, and no log is of it",
        "DV-8": "the registry names it for 2 drains, and no log is of it",
    }


def test_columns_that_nobody_reads_are_counted_once_a_profile() -> None:
    logs = [files("lakeside", [0, 1], columns_ignored=2), files("lakeside", [2], columns_ignored=0)]
    rows = reconcile(
        pl.concat(logs), REJECTED_ROW.empty(), USE_TABLE.empty(), REGISTRY_DRAIN.empty(), DEFINITIONS
    )
    assert rows["detail"].to_list() == ["profile v1 does not name up to 2 columns of 2 files"]
    one = files("lakeside", [0], columns_ignored=1)
    rows = reconcile(one, REJECTED_ROW.empty(), USE_TABLE.empty(), REGISTRY_DRAIN.empty(), DEFINITIONS)
    assert rows["detail"].to_list() == ["profile v1 does not name up to 1 column of 1 file"]


def test_a_waiting_file_and_the_rest_stand_in_data_quality_and_status(
    loaded_ward: Home, capsys: pytest.CaptureFixture[str]
) -> None:
    told = look_at(loaded_ward.database).findings.dicts()
    assert {"file_waiting", "minutes_without_drain"} <= {row["finding"] for row in told}
    assert run(["status", "--home", str(loaded_ward.root)]) == DONE
    assert "What does not add up" in capsys.readouterr().out
    (example,) = [row["for_example"] for row in told if row["finding"] == "file_waiting"]
    assert "waits for a profile that fits it" in example
    assert run(["reread", "--home", str(loaded_ward.root)]) == DONE
    said = capsys.readouterr().out
    assert "Waiting, as `status` has it: 1 file" in said
    assert "waits for a profile that fits it: " in said


def test_check_names_a_use_claimed_twice_and_columns_it_does_not_read(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], ward_files: list[Path]
) -> None:
    registry = tmp_path / "registry.csv"
    text = next(path for path in ward_files if path.name == "registry.csv").read_text()
    registry.write_text(
        text.replace("2031-03-10T10:00:00+01:00,DV-2/1,lob", "2031-03-10T10:30:00+01:00,DV-2/1,lob")
    )
    assert run(["check", str(registry), "--home", str(tmp_path / "none")]) == SOME_REJECTED
    said = capsys.readouterr().out
    assert "line 7: use_claimed_twice: names a device use as line 6 does" in said
    assert "PAT-" not in said.replace("PAT-ANNA first.csv", "")
    log = next(path for path in ward_files if path.name == "dora.csv").read_text()
    more = tmp_path / "more.csv"
    more.write_text(log.replace(",alerts\n", ",alerts,humidity\n").replace(",1,\n", ",1,,40\n"))
    run(["check", str(more), "--home", str(tmp_path / "none")])
    assert "not read, for the profile does not name them: humidity" in capsys.readouterr().out
