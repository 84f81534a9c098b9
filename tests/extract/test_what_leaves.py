"""Nothing that names a patient leaves: looked for in every byte of every file."""

from __future__ import annotations

import csv
import hashlib
import io
import json
import re
import struct
from datetime import date, timedelta
from pathlib import Path

import polars as pl
import polars.selectors as cs
import pytest

from flows.research.extract import run_extract
from pipeline.store import Home
from schemas.extract import GIVEN_NAMES, OLDEST, Dates, released
from schemas.lake import FILE_NAME, USE_TABLE
from schemas.published import DRAIN, DRAIN_DAY
from schemas.table import INSTANT, TEXT
from tests.extract.small_ward import OLD_AGES, SECRETS


def _files(folder: Path) -> dict[str, bytes]:
    return {str(p.relative_to(folder)): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


def _texts(folder: Path) -> dict[str, str]:
    """Every file as text: bytes as they are, Parquet decoded beside them."""
    texts = {name: data.decode("latin-1") for name, data in _files(folder).items()}
    for name, data in _files(folder).items():
        if name.endswith(".parquet"):
            rows = pl.read_parquet(io.BytesIO(data))
            texts[f"{name} decoded"] = repr(rows.to_dicts()) + repr(
                pl.read_parquet_metadata(io.BytesIO(data))
            )
    return texts


def test_no_key_serial_name_or_word_of_the_sites_own_is_in_any_byte(extracted: Path) -> None:
    for name, text in _texts(extracted).items():
        for secret in SECRETS:
            assert secret.lower() not in text.lower(), (name, secret)


def test_no_id_of_the_ledger_is_in_any_byte(extracted: Path, loaded_ward: Home) -> None:
    drains = loaded_ward.lake.scan
    known = drains(DRAIN).select("drain_id", "operation_id").collect()
    uses = drains(USE_TABLE).select("use_id", "device").collect()
    names = loaded_ward.private_lake.scan(FILE_NAME).select("name").collect()
    ids = {v for frame in (known, uses, names) for row in frame.rows() for v in row if v is not None}
    assert len(ids) > 15
    for name, text in _texts(extracted).items():
        assert not [i for i in ids if i in text], name


def test_no_true_date_is_in_any_byte(extracted: Path, loaded_ward: Home) -> None:
    for name, text in _texts(extracted).items():
        assert not re.search(r"2031[-/]\d\d", text), name
        assert "datetime.datetime(2031" not in text, name
        assert "datetime.date(2031" not in text, name
    drain = loaded_ward.lake.scan(DRAIN).collect()
    instants = {v for c in drain.columns if drain[c].dtype == INSTANT for v in drain[c].drop_nulls()}
    assert len(instants) > 10
    for name, data in _files(extracted).items():
        for instant in instants:
            micros = round(instant.timestamp() * 1_000_000)
            assert struct.pack("<q", micros) not in data, name


def test_dates_lie_at_least_a_year_back(extracted: Path) -> None:
    looked_at = 0
    for path in (extracted / "parquet").glob("*.parquet"):
        rows = pl.read_parquet(path)
        times = rows.select(pl.col(pl.Date, pl.Datetime).cast(pl.Date))
        looked_at += times.width
        assert all(latest is None or latest < date(2031, 1, 1) for latest in times.max().row(0))
    assert looked_at > 20


def test_ages_over_89_are_90(extracted: Path) -> None:
    drains = pl.read_parquet(extracted / "parquet" / "drain.parquet")
    assert sorted(drains["age_years"].drop_nulls()) == [61, OLDEST, OLDEST, OLDEST, OLDEST]
    for path in (extracted / "parquet").glob("*.parquet"):
        values = [v for row in pl.read_parquet(path).select(cs.numeric()).rows() for v in row]
        assert not set(OLD_AGES[:2]) & set(values)


def test_words_leave_only_through_a_mapping(extracted: Path) -> None:
    drains = pl.read_parquet(extracted / "parquet" / "drain.parquet")
    assert set(drains["procedure"].drop_nulls()) == {"lobectomy", "wedge resection", "unmapped"}
    assert set(drains["sex"].drop_nulls()) == {"female", "unmapped"}
    assert "adhesions" not in drains.columns
    alerts = pl.read_parquet(extracted / "parquet" / "alert.parquet")
    assert set(alerts["code"]) == {"other", "battery_low"}


@pytest.mark.parametrize("name", GIVEN_NAMES)
@pytest.mark.parametrize("dates", list(Dates))
def test_every_text_that_leaves_has_a_closed_list_or_is_made_here(name: str, dates: Dates) -> None:
    ours = {"drain_id", "operation_id", "patient_id", "rule", "definition", "moved"}
    for column in released(name, dates, {}).columns:
        assert column.dtype != INSTANT
        if column.dtype == TEXT:
            assert column.words or column.name in ours, column.name
    if dates is Dates.HOURS:
        assert not [c.name for c in released(name, dates, {}).columns if c.name.endswith(("_at", "day"))]


def test_csv_and_parquet_hold_the_same(extracted: Path) -> None:
    for path in sorted((extracted / "parquet").glob("*.parquet")):
        rows = pl.read_parquet(path)
        text = (extracted / "csv" / f"{path.stem}.csv").read_text(encoding="utf-8")
        read = pl.read_csv(io.StringIO(text), schema=rows.schema, try_parse_dates=True)
        assert rows.height > 0
        assert read.equals(rows), path.stem


def test_no_cell_is_run_by_a_spreadsheet(extracted: Path) -> None:
    for path in extracted.rglob("*.csv"):
        for row in csv.reader(io.StringIO(path.read_text(encoding="utf-8"))):
            for cell in row:
                assert not re.match(r"[=+@\t\r]", cell)
                assert not cell.startswith("-") or float(cell) < 0


def test_the_tables_keep_to_their_dictionary(extracted: Path) -> None:
    dictionary = pl.read_csv(extracted / "dictionary.csv")
    for path in (extracted / "parquet").glob("*.parquet"):
        described = dictionary.filter(pl.col("table") == path.stem)
        assert described["column"].to_list() == pl.read_parquet(path).columns
        assert described["meaning"].null_count() == 0
    units = set(dictionary["unit"].drop_nulls())
    assert {"mL", "mL/min", "min", "h", "cm[H2O]", "a"} <= units
    assert "## drain_hour" in (extracted / "dictionary.md").read_text()


def test_the_data_package_describes_every_file(extracted: Path) -> None:
    package = json.loads((extracted / "datapackage.json").read_text())
    assert package["$schema"] == "https://datapackage.org/profiles/2.0/datapackage.json"
    files = _files(extracted)
    assert {r["path"] for r in package["resources"]} == set(files) - {"datapackage.json", "manifest.json"}
    names = [r["name"] for r in package["resources"]]
    assert len(set(names)) == len(names)
    assert all(re.fullmatch(r"[-a-z0-9._/]+", name) for name in names)
    for resource in package["resources"]:
        data = files[resource["path"]]
        assert resource["bytes"] == len(data)
        assert resource["hash"] == f"sha256:{hashlib.sha256(data).hexdigest()}"
        if resource.get("type") != "table":
            continue
        fields = [f["name"] for f in resource["schema"]["fields"]]
        assert data.decode().split("\n")[0].split(",") == fields
        assert set(resource["schema"].get("primaryKey", [])) <= set(fields)
        for key in resource["schema"].get("foreignKeys", []):
            assert key["reference"]["resource"] in names


def test_keys_of_tables_are_unique(extracted: Path) -> None:
    package = json.loads((extracted / "datapackage.json").read_text())
    keyed = [r for r in package["resources"] if r["path"].startswith("csv/") and "primaryKey" in r["schema"]]
    assert len(keyed) >= 7
    for resource in keyed:
        rows = pl.read_parquet(extracted / "parquet" / f"{resource['name']}.parquet")
        assert rows.select(resource["schema"]["primaryKey"]).is_duplicated().sum() == 0, resource["name"]


def test_a_patients_drains_move_together(extracted: Path, loaded_ward: Home) -> None:
    drains = pl.read_parquet(extracted / "parquet" / "drain.parquet")
    twice = (
        drains.group_by("patient_id").len().filter((pl.col("len") == 2) & pl.col("patient_id").is_not_null())
    )
    assert twice.height == 2
    both = drains.filter(pl.col("procedure") == "lobectomy").sort("tube_in_at")
    assert both["patient_id"].n_unique() == 1
    # From 29 March 20:00 to 25 October 22:00 on the ward's clock.
    assert both["tube_in_at"][1] - both["tube_in_at"][0] == timedelta(days=210, hours=2)


def test_the_wall_clock_stays_and_hours_are_as_they_went_by(extracted: Path) -> None:
    drains = pl.read_parquet(extracted / "parquet" / "drain.parquet").sort("tube_in_at")
    night = drains.filter((pl.col("procedure") == "lobectomy") & (pl.col("tube_french") == 28))
    assert night["tube_in_at"][0].strftime("%H:%M") == "20:00"  # and the 20 s are gone
    assert night["tube_out_at"][0].strftime("%H:%M") == "08:00"
    # 20:00 to 08:00, less the hour that summer time took; the origin is half an hour earlier.
    assert night["tube_out_hours"][0] - night["tube_in_hours"][0] == pytest.approx(11.0, abs=1e-6)
    autumn = drains.filter((pl.col("procedure") == "lobectomy") & (pl.col("tube_french") == 24))
    assert autumn["tube_out_hours"][0] - autumn["tube_in_hours"][0] == pytest.approx(9.0, abs=1e-6)


def test_days_stay_days(extracted: Path, loaded_ward: Home) -> None:
    given = pl.read_parquet(extracted / "parquet" / "drain_day.parquet")
    had = loaded_ward.lake.scan(DRAIN_DAY).collect()
    columns = ["day_no", "minutes_observed", "leak_minutes", "alert_count"]
    assert given.select(columns).sort(columns).equals(had.select(columns).sort(columns))
    drains = pl.read_parquet(extracted / "parquet" / "drain.parquet")
    first = given.filter(pl.col("day_no") == 0).join(drains, on="drain_id")
    assert (first["day"] == first["origin_day"]).all()
    assert (drains["origin_at"].dt.date() == drains["origin_day"]).all()


def test_without_drains_over_a_clock_change_wall_clock_and_hours_tell_the_same(
    loaded_ward: Home, tmp_path: Path
) -> None:
    cohort = tmp_path / "steady.toml"
    cohort.write_text(
        'cohort = 1\nname = "steady"\ntitle = "Steady"\n[who]\nclock_change = "without"\n[give]\nleast_cell = 1\n'
    )
    made = run_extract(loaded_ward, cohort, tmp_path / "out")
    assert made.flow["drains"].to_list() == [7, 2, 0, 5]
    assert made.findings == {"drain_without_log": 1}  # said to the house
    compared = 0
    origins = pl.read_parquet(tmp_path / "out" / "parquet" / "drain.parquet").select(
        "drain_id", origin="origin_at"
    )
    for path in sorted((tmp_path / "out" / "parquet").glob("*.parquet")):
        rows = pl.read_parquet(path)
        if "drain_id" not in rows.columns:
            continue
        rows = rows.join(origins, on="drain_id")
        for wall in [c for c in rows.columns if c.endswith("_at") and c != "origin_at"]:
            apart = (rows[wall] - rows["origin"]).dt.total_minutes() / 60
            hours = rows[f"{wall.removesuffix('_at')}_hours"]
            assert ((apart - hours).abs() < 1e-6).all()
            compared += apart.drop_nulls().len()
    assert compared > 30


def test_what_happened_long_after_is_told_in_hours_alone(extracted: Path) -> None:
    drains = pl.read_parquet(extracted / "parquet" / "drain.parquet")
    assert drains["readmitted_hours"].drop_nulls().len() == 1
    assert "readmitted_at" not in drains.columns
    assert not [
        c
        for c in pl.read_parquet(extracted / "parquet" / "drain_outcome.parquet").columns
        if "threshold" in c
    ]
