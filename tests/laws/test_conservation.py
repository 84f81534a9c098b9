"""Law: nothing is lost. Every row read is kept or rejected, and every minute kept can be found again."""

from __future__ import annotations

from pathlib import Path

import polars as pl
import pytest

from flows.loading.survey import find_files
from pipeline.marts import select
from pipeline.store import Home
from pipeline.store.vault import digest_of
from schemas.lake import LOAD_FILE, MINUTE, REJECTED_ROW
from tests.support.homes import load, make_home


@pytest.fixture(scope="module")
def loaded(loaded_samples: Home) -> Home:
    return loaded_samples


def test_every_row_read_is_kept_or_rejected(loaded: Home) -> None:
    files = loaded.lake.scan(LOAD_FILE).collect()
    assert files.filter(pl.col("rows_read") != pl.col("rows_kept") + pl.col("rows_rejected")).height == 0
    assert files["rows_read"].sum() > 10_000


def test_every_file_of_the_folder_has_a_record_and_its_bytes(loaded: Home, samples: list[Path]) -> None:
    known = set(loaded.lake.scan(LOAD_FILE).collect()["file_sha256"])
    for path in find_files(samples):
        data = path.read_bytes()
        digest = digest_of(data)
        assert digest in known, path.name
        vaults = [v for v in (loaded.raw, loaded.private_raw) if v.path(digest).exists()]
        assert [v.read(digest) for v in vaults] == [data], path.name


def test_kept_rows_are_in_the_lake_and_rejected_ones_have_a_record_each(loaded: Home) -> None:
    files = loaded.lake.scan(LOAD_FILE).collect()
    logs = files.filter(~pl.col("profile").fill_null("").str.starts_with("drain-"))
    assert loaded.lake.scan(MINUTE).select(pl.len()).collect().item() == logs["rows_kept"].sum()
    lines = (
        loaded.lake.scan(REJECTED_ROW)
        .filter(pl.col("scope") == "row")
        .select("file_sha256", "line")
        .unique()
        .collect()
    )
    rejected = files.filter(pl.col("status") != "rejected")["rows_rejected"].sum()
    assert (
        lines.join(files.filter(pl.col("status") != "rejected"), on="file_sha256", how="semi").height
        == rejected
    )


def test_a_rejected_file_has_a_reason_and_a_record(loaded: Home) -> None:
    files = loaded.lake.scan(LOAD_FILE).filter(pl.col("status") == "rejected").collect()
    assert files.height > 0
    assert files["reason"].null_count() == 0
    of_files = loaded.lake.scan(REJECTED_ROW).filter(pl.col("scope") == "file").collect()
    assert set(files["file_sha256"]) <= set(of_files["file_sha256"])


def test_published_minutes_belong_to_one_drain_each_unless_a_use_is_shared(loaded: Home) -> None:
    doubled = select(
        loaded.database,
        """
        SELECT du.use_id, count(*) AS holders, bool_or(NOT d.shared_use) AS unshared
        FROM drain_use AS du
        JOIN drain_use AS other
          ON other.use_id = du.use_id AND other.drain_id <> du.drain_id
          AND other.from_at < du.until_at AND du.from_at < other.until_at
        JOIN drain AS d ON d.drain_id = du.drain_id
        GROUP BY du.use_id
        """,
        loaded.lake.root,
    )
    assert not doubled["unshared"].any()
    assert doubled.height == 1  # the sample folder has one Y-connector


def test_bytes_that_nobody_recognises_are_kept_in_the_private_store(tmp_path: Path) -> None:
    registry = "# drain-registry: 1\n# exported_at: 2031-04-01T06:00:00+02:00\ndrain_key,patient_key\n"
    odd = {"utf-16.csv": registry.encode("utf-16"), "memo.txt": b"\nDear all,\n", "empty.csv": b""}
    folder = tmp_path / "exports"
    folder.mkdir()
    for name, data in odd.items():
        (folder / name).write_bytes(data)
    home = make_home(tmp_path / "home")
    load(home, [folder])
    for data in odd.values():
        assert home.private_raw.read(digest_of(data)) == data
        assert not home.raw.path(digest_of(data)).exists()


def told(loaded: Home, query: str) -> list[tuple[object, ...]]:
    return select(loaded.database, query, loaded.lake.root).rows()


SERVED = "SELECT drain_id FROM drain_use WHERE use_id LIKE 'lakeside:{}@%'"


def test_a_swapped_device_goes_on_in_one_drain_minutes_fluid_and_all(loaded: Home) -> None:
    (drain,) = {row[0] for row in told(loaded, SERVED.format("DV-0004/9"))}
    assert told(loaded, SERVED.format("DV-0005/2")) == [(drain,)]
    uses, whole, first, second = told(
        loaded,
        f"""
        SELECT
            count(DISTINCT u.use_id), max(m.output_ml) = any_value(d.output_ml),
            max(m.output_ml) FILTER (WHERE u.use_id LIKE '%DV-0004%'),
            min(m.output_ml) FILTER (WHERE u.use_id LIKE '%DV-0005%')
        FROM minute AS m JOIN drain AS d USING (drain_id)
        JOIN drain_use AS u ON u.drain_id = m.drain_id AND m.minute >= u.from_at AND m.minute < u.until_at
        WHERE m.drain_id = '{drain}'
        """,
    )[0]
    assert uses == 2
    assert whole
    assert second >= first > 0  # type: ignore[operator]


def test_two_tubes_on_one_device_hold_the_same_minutes_and_say_so(loaded: Home) -> None:
    rows = told(
        loaded,
        f"""
        SELECT shared_use, count(*), min(minute), max(minute) FROM minute JOIN drain USING (drain_id)
        WHERE drain_id IN ({SERVED.format("DV-0006/12")}) GROUP BY drain_id, shared_use
        """,
    )
    assert len(rows) == 2
    assert len(set(rows)) == 1
    assert rows[0][0] is True


def test_one_use_of_two_patients_is_cut_and_no_minute_is_in_both(loaded: Home) -> None:
    served = told(
        loaded, "SELECT from_at, until_at FROM drain_use WHERE use_id LIKE 'north:NK-0102/8@%' ORDER BY 1"
    )
    assert len(served) == 2
    assert served[0][1] <= served[1][0]  # type: ignore[operator]


def test_what_fits_no_drain_or_no_log_and_what_contradicts_is_listed(loaded: Home) -> None:
    found = told(loaded, "SELECT finding, device, minutes, detail FROM data_quality WHERE scope = 'registry'")
    of = {finding: [row for row in found if row[0] == finding] for finding, *_ in found}
    # A use that nobody registered is a drain of its own; a registered drain without a log is one as well.
    assert [row[1] for row in of["use_without_drain"]] == ["DV-0008"]
    assert told(loaded, f"SELECT linked FROM drain WHERE drain_id IN ({SERVED.format('DV-0008/21')})") == [
        (False,)
    ]
    assert len(of["drain_without_log"]) == 1
    assert told(loaded, "SELECT prolonged_leak FROM drain WHERE uses = 0") == [("unknown",)]
    # DV-0010 logged on for 20 hours after the removal that its registry row has.
    beyond = [row[2] for row in of["minutes_without_drain"] if row[1] == "DV-0010"]
    assert sum(beyond) > 19 * 60  # type: ignore[arg-type]
