"""Files as they also arrive: cut off, misspelt, spoilt in single cells, or something else altogether."""

from __future__ import annotations

from collections.abc import Callable, Iterator

from pipeline.simulate.layouts import HEADER_V1, compressed

ExportOf = Callable[[str, str], bytes]


def damaged_files(export_of: ExportOf) -> Iterator[tuple[str, bytes, str]]:
    """
    Damaged files of site `lakeside`; what they hold comes whole in other exports, so nothing is lost by them.

    Parameters
    ----------
    export_of
        (device, site's wall clock) → the bytes of a sound version 1 export.

    Yields
    ------
    Path within the sample folder, bytes, what is wrong with it.
    """
    yield (
        "lakeside/lakeside_DV-0003_20310320T0700.csv",
        cut_off(export_of("DV-0003", "2031-03-20T07:00")),
        "damaged: cut off in the middle of a row, no end line",
    )
    yield (
        "lakeside/lakeside_DV-0003_20310322T0700.csv.gz",
        _first_part(compressed(export_of("DV-0003", "2031-03-22T07:00")), 0.6),
        "damaged: gzip that breaks off",
    )
    yield (
        "lakeside/lakeside_DV-0011_20310326T0700.csv",
        wrong_count(_few_rows(export_of("DV-0011", "2031-03-26T07:00"), 400)),
        "damaged: the end line counts more rows than there are",
    )
    yield (
        "lakeside/lakeside_DV-0010_20310321T0600.csv",
        spoilt_cells(_few_rows(export_of("DV-0010", "2031-03-21T06:00"), 600)),
        "damaged: four rows and three cells that break a rule, all else sound",
    )
    yield (
        "lakeside/lakeside_DV-0012_20310328T0700.csv",
        _few_rows(export_of("DV-0010", "2031-03-21T05:00"), 60)
        .replace(b"# device: DV-0010", b"# device: DV-0012")
        .replace(b",air_leak,", b",flow,"),
        "damaged: a column has the wrong name",
    )
    yield "lakeside/ward memo.txt", MEMO, "no log at all"


MEMO = (
    b"Ward T3, note to all\r\n\r\n"
    b"Please press 'new patient' before you connect a drain to somebody else,\r\n"
    b"and put the canisters back into the store room.\r\n"
)


def cut_off(data: bytes) -> bytes:
    """The first two thirds of a file, ending within a row."""
    kept = data[: len(data) * 2 // 3]
    return kept[: kept.rindex(b"\n") + 20]


def wrong_count(data: bytes) -> bytes:
    """The file with an end line that counts seven rows too many."""
    lines = data.split(b"\n")
    counted = int(lines[-2].rsplit(b"=", 1)[1])
    return b"\n".join([*lines[:-2], b"# end: rows=%d" % (counted + 7), b""])


def spoilt_cells(data: bytes) -> bytes:
    """
    The file with four rows that cannot be kept and three cells that cannot.

    Rows: a clock that is no time, an unknown state, a cell too few, an empty session. Cells: a
    leak that is no number, a tilt beyond 180 degrees, a pressure no chest has.
    """
    lines = data.decode().split("\n")
    header = lines.index(HEADER_V1)
    names = HEADER_V1.split(",")

    def put(row: int, name: str, text: str) -> None:
        cells = lines[header + row].split(",")
        cells[names.index(name)] = text
        lines[header + row] = ",".join(cells)

    put(50, "clock", "2031-03-32T99:00")
    put(90, "state", "sleep")
    lines[header + 130] = lines[header + 130].rsplit(",", 1)[0]
    put(170, "session", "")
    put(210, "air_leak", "12O")
    put(250, "tilt", "361.0")
    put(290, "pressure_mean", "-2000.0")
    return "\n".join(lines).encode()


def _few_rows(data: bytes, rows: int) -> bytes:
    """The file's first rows, with an end line that says so."""
    lines = data.decode().split("\n")
    start = lines.index(HEADER_V1) + 1
    return "\n".join([*lines[: start + rows], f"# end: rows={rows}", ""]).encode()


def _first_part(data: bytes, share: float) -> bytes:
    return data[: int(len(data) * share)]
