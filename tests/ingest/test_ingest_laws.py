"""Laws of ingest that hold whatever the bytes are: nothing is lost unrecorded, both ways of reading agree."""

from __future__ import annotations

import gzip
import random

import polars as pl
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipeline.ingest import cells as cell_reader
from pipeline.ingest.page import Page
from tests.ingest.drain_logs import COLUMNS, DATA, Log, read, row

SEEDS = {path.name: path.read_bytes() for path in sorted(DATA.iterdir())}
SPLICES = [
    b"\n",
    b"\r",
    b"\r\n",
    b"\0",
    b'"',
    b",",
    b";",
    b"\t",
    b"#",
    b"\n# end: rows=2",
    b"\xff",
    b"\xef\xbf\xbd",
]
SPLICES += [b"nan", b"1e999", b"-", b"E", b"2031-03-10T14:00", b" ", b"--", "é".encode(), b"\n\n", b"9" * 30]


@st.composite
def damaged(draw: st.DrawFn) -> tuple[str, bytes]:
    """A valid file with some bytes cut out, put in or overwritten."""
    name = draw(st.sampled_from(sorted(SEEDS)))
    data = bytearray(SEEDS[name])
    for _ in range(draw(st.integers(1, 6))):
        at = draw(st.integers(0, len(data)))
        cut = draw(st.sampled_from([0, 0, 1, 2, 7, 60]))
        data[at : at + cut] = draw(st.sampled_from(SPLICES) | st.binary(max_size=6))
    whole = bytes(data)
    if draw(st.integers(0, 5)) == 0:
        packed = gzip.compress(whole, mtime=0)
        whole = packed[: draw(st.integers(0, len(packed)))]
    return name, whole


@settings(max_examples=120, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(damaged())
def test_whatever_the_bytes_are_every_row_is_kept_or_recorded(case: tuple[str, bytes]) -> None:
    name, data = case
    answer = read(data, name)  # holds the answer to its contract, and read = kept + rejected
    lines = data.count(b"\n") + 1
    if not data.startswith(b"\x1f\x8b"):
        assert answer.file["rows_read"] <= lines
        assert all(line <= lines for line in answer.minutes["line"])
    recorded = answer.rejected.filter(pl.col("scope") == "row")["line"]
    assert not set(recorded) & set(answer.minutes["line"])


@settings(max_examples=100, deadline=None)
@given(st.binary(max_size=300))
def test_any_bytes_at_all_get_an_answer(data: bytes) -> None:
    assert read(data).file["status"] == "rejected"


ODD_CELLS = [
    "",
    " ",
    "x",
    '"',
    '"a,b"',
    "1,5",
    "é",
    "\ufffd",
    "\0",
    "# no remark",
    "-0",
    "1e3",
    "run ",
    "E7;E8",
    "\r",
]


@st.composite
def bodies(draw: st.DrawFn) -> tuple[bytes, int]:
    """Rows of cells, most of them sound, some lines too short, too long, blank or a remark."""
    width = draw(st.integers(1, 4))
    lines = []
    for _ in range(draw(st.integers(0, 8))):
        count = draw(st.sampled_from([width] * 8 + [width - 1, width + 1]))
        usual = st.sampled_from(["1", "2.5", "run", "2031-03-10T14:00"])
        odd = st.sampled_from(ODD_CELLS)
        cells = [draw(odd if draw(st.integers(0, 30)) == 0 else usual) for _ in range(count)]
        lines.append(
            draw(st.sampled_from([",".join(cells)] * 12 + ["", "  ", "# remark", "#" + ",".join(cells)]))
        )
    end = draw(st.sampled_from(["\n", "\n", ""]))
    return ("\n".join(lines) + end).encode(), width


@settings(max_examples=200, deadline=None)
@given(bodies())
def test_the_fast_way_and_the_careful_way_give_the_same_cells(case: tuple[bytes, int]) -> None:
    body, width = case
    page = Page("", tuple(str(i) for i in range(width)), body, 7, None, cut_off=False)
    fast = cell_reader.clean_cells(page, ",", "#", 1000)
    careful = cell_reader.careful_cells(page, ",", "#", 1000)
    if fast is not None:
        assert fast.rows.equals(careful.rows)
        assert fast.faults.equals(careful.faults)
        assert careful.remarks == ()


def test_the_fast_way_is_taken_for_every_clean_log() -> None:
    body = ("\n".join(row(i) for i in range(50)) + "\n").encode()
    page = Page("", tuple(COLUMNS), body, 7, None, cut_off=False)
    assert cell_reader.clean_cells(page, ",", "#", 1_000_000) is not None
    # One cell too many and one too few leave the count of delimiters as it should be.
    crossed = (row(0) + ",\n" + row(1).rsplit(",", 1)[0] + "\n").encode()
    assert (
        cell_reader.clean_cells(Page("", tuple(COLUMNS), crossed, 7, None, False), ",", "#", 1_000_000)
        is None
    )
    assert cell_reader.clean_cells(Page("", tuple(COLUMNS), body, 7, None, False), ",", "#", 50) is None


CELLS = st.fixed_dictionaries(
    {},
    optional={
        name: st.sampled_from(["", "x", "-1", "17", " 17", "1e9", "run", "2031-03-10T14:05", "nan", "-25"])
        for name in COLUMNS
    },
)


@settings(max_examples=60, deadline=None)
@given(st.lists(CELLS, min_size=1, max_size=6))
def test_a_whole_log_reads_the_same_the_fast_and_the_careful_way(rows: list[dict[str, str]]) -> None:
    log = Log(tuple(row(i, **cells) for i, cells in enumerate(rows)))
    fast = read(log.data)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(cell_reader, "clean_cells", lambda *_: None)
        careful = read(log.data)
    assert fast.minutes.equals(careful.minutes)
    assert fast.traces.equals(careful.traces)
    assert fast.rejected.equals(careful.rejected)
    assert fast.rejected_values.equals(careful.rejected_values)
    assert fast.file == careful.file


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 2**32 - 1))
def test_a_bad_row_never_changes_what_is_read_of_the_others(seed: int) -> None:
    rng = random.Random(seed)
    good = [row(i, tilt=rng.choice(["", "3"]), alerts=rng.choice(["", "E7"])) for i in range(8)]
    bad = [rng.choice(["x", row(0, clock="?"), '"', row(1) + ",1", row(2, state="?")]) for _ in range(3)]
    alone = read(Log(tuple(good)).data)
    mixed = good + bad
    rng.shuffle(mixed)
    order = [line for line in mixed if line in good]
    together = read(Log(tuple(mixed)).data)
    assert together.file["rows_rejected"] == 3
    drop = ["file_sha256", "line"]
    assert together.minutes.drop(drop).sort("clock").equals(alone.minutes.drop(drop).sort("clock"))
    assert together.minutes["record"].to_list() == [int(line.split(",")[0]) for line in order]


@settings(max_examples=40, deadline=None)
@given(st.integers(-20000, 20000))
def test_every_reading_is_a_double_nearest_to_a_hundredth(hundredths: int) -> None:
    written = f"{hundredths / 100:.2f}"
    answer = read(Log((row(0, pressure_mean=written, pressure_min="", pressure_max=""),)).data)
    assert answer.minutes["pressure_mean_cmh2o"].to_list() == [float(written)]
