"""The sample folder: made by the script, small, and as its README says."""

import csv
import gzip
import re
import zlib
from pathlib import Path

import polars as pl
import pytest

from pipeline.simulate.samples import SAMPLES, sample_truth, write_samples


@pytest.fixture(scope="module")
def again(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("samples")
    write_samples(folder)
    return folder


@pytest.fixture(scope="module")
def truth() -> pl.DataFrame:
    return sample_truth()


def files(folder: Path) -> dict[str, Path]:
    return {str(path.relative_to(folder)): path for path in sorted(folder.rglob("*")) if path.is_file()}


def unpacked(path: Path) -> bytes:
    """What a file says; of a gzip that breaks off, what comes out of its first half (libraries pack differently)."""
    data = path.read_bytes()
    if path.suffix != ".gz":
        return data
    try:
        return gzip.decompress(data)
    except EOFError:
        return zlib.decompressobj(wbits=31).decompress(data)[:50_000]


def test_the_script_writes_the_folder_again_to_the_byte(again: Path) -> None:
    kept, made = files(SAMPLES), files(again)
    assert list(kept) == list(made)
    for name, path in made.items():
        assert unpacked(kept[name]) == unpacked(path), name


def test_the_folder_is_small() -> None:
    assert sum(path.stat().st_size for path in files(SAMPLES).values()) <= 6_000_000


def test_the_readme_names_every_file_and_every_drain(truth: pl.DataFrame) -> None:
    text = (SAMPLES / "README.md").read_text(encoding="utf-8")
    for name in files(SAMPLES):
        assert name == "README.md" or f"| `{name}` |" in text
    for key in truth["drain_key"].drop_nulls():
        assert f"| {key} |" in text
    assert "invented" in text


def test_what_is_true_of_the_samples(truth: pl.DataFrame) -> None:
    assert truth.height == 17
    counts = dict(truth["expected_prolonged_leak"].value_counts().iter_rows())
    assert counts == {"yes": 2, "no": 11, "unknown": 4}
    unknown = truth.filter(expected_prolonged_leak="unknown")
    assert sorted(unknown["expected_reason"]) == [
        "discharged_with_drain",
        "no_log",
        "replaced",
        "transferred_with_drain",
    ]
    assert truth.filter(prolonged=True)["drain_key"].to_list() == ["LS-0103", "NO-0201"]
    assert truth.filter(pl.col("occlusions") > 0)["drain_key"].to_list() == ["LS-0101", "LS-0110"]
    assert truth["drain_key"].null_count() == 1


def test_all_sample_rows_are_dated_2031() -> None:
    for name, path in files(SAMPLES).items():
        if name.startswith(("lakeside/", "north/")) and "memo" not in name:
            dates = re.findall(r"(20\d\d)-\d\d-\d\dT|\d\d\.\d\d\.(20\d\d) ", unpacked(path).decode("cp1252"))
            assert {year for pair in dates for year in pair if year} == {"2031"}, name


def test_each_damaged_file_is_damaged_as_its_purpose_says() -> None:
    lakeside = SAMPLES / "lakeside"
    cut = (lakeside / "lakeside_DV-0003_20310320T0700.csv").read_bytes()
    assert not cut.endswith(b"\n")
    assert b"# end" not in cut
    with pytest.raises(EOFError):
        gzip.decompress((lakeside / "lakeside_DV-0003_20310322T0700.csv.gz").read_bytes())
    counted = (lakeside / "lakeside_DV-0011_20310326T0700.csv").read_text().splitlines()
    assert counted[-1] == "# end: rows=407"
    assert sum(line[0].isdigit() for line in counted) == 400
    spoilt = (lakeside / "lakeside_DV-0010_20310321T0600.csv").read_text().splitlines()
    table = list(csv.reader(line for line in spoilt if not line.startswith("#")))
    assert {len(cells) for cells in table} == {14, 15}
    assert sum(len(cells) == 14 for cells in table) == 1
    misnamed = (lakeside / "lakeside_DV-0012_20310328T0700.csv").read_text().splitlines()
    header = next(line for line in misnamed if not line.startswith("#"))
    assert ",flow," in header
    assert ",air_leak," not in header
    assert b"drain-log" not in (lakeside / "ward memo.txt").read_bytes()


def test_one_name_has_a_quote_and_spaces() -> None:
    assert "lakeside/bed 4's drain (copy).csv" in files(SAMPLES)


def test_overlapping_exports_of_the_prolonged_drain_differ_in_two_minutes_only() -> None:
    """Same record number, other row: only where the export with conflicts was spoilt on purpose."""
    said: dict[str, set[str]] = {}
    for path in (SAMPLES / "lakeside").glob("lakeside_DV-0003_*"):
        if path.name.startswith(("lakeside_DV-0003_20310320", "lakeside_DV-0003_20310322")):
            continue
        for line in unpacked(path).decode().splitlines():
            if line[0].isdigit():
                said.setdefault(line.split(",", 1)[0], set()).add(line)
    assert len(said) == 180 * 60
    assert sum(len(lines) > 1 for lines in said.values()) == 2
