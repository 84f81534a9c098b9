"""Fixed writers: the same rows give the same bytes, on any machine, in any time zone and language."""

from __future__ import annotations

import io
import json
from typing import Any

import polars as pl

from pipeline.spreadsheet import FORMULA
from schemas.errors import LedgerError

_ROW_GROUP = 100_000


def csv_bytes(frame: pl.DataFrame) -> bytes:
    r"""
    Rows as CSV: UTF-8, comma, `\n`, a header, empty for null, `true`/`false`, ISO 8601 dates and times.

    Raises
    ------
    LedgerError
        When a text begins like a formula (`pipeline.spreadsheet`). None can by the contracts; and an
        apostrophe before it would make it another text.

    Examples
    --------
    >>> csv_bytes(pl.DataFrame({"a": ["x, y", None], "b": [0.1, None], "c": [True, False]}))
    b'a,b,c\n"x, y",0.1,true\n,,false\n'
    """
    for name, dtype in frame.schema.items():
        if dtype == pl.String and frame[name].str.contains(FORMULA).any():
            raise LedgerError(
                f"extract: a text in column {name!r} begins like a formula; this is a fault in the code, "
                "report it."
            )
    text = frame.write_csv(datetime_format="%Y-%m-%dT%H:%M:%S", date_format="%Y-%m-%d", line_terminator="\n")
    return text.encode()


def parquet_bytes(frame: pl.DataFrame) -> bytes:
    """Rows as Parquet: Zstandard at level 3, row groups of 100 000 rows, no metadata of our own."""
    out = io.BytesIO()
    frame.rechunk().write_parquet(
        out, compression="zstd", compression_level=3, statistics=True, row_group_size=_ROW_GROUP
    )
    return out.getvalue()


def json_bytes(content: Any) -> bytes:
    """JSON for people to read too: two blanks, keys in the order given, no NaN."""
    return (json.dumps(content, ensure_ascii=False, indent=2, allow_nan=False) + "\n").encode()
