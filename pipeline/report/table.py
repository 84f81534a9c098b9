"""A table on a page: figures right, words left, what is not known said in words."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

import polars as pl
from markupsafe import Markup

from pipeline.report.templates import render


@dataclass(frozen=True)
class Col:
    """
    How a column is shown.

    Parameters
    ----------
    heading
        In the words of the reader, with the unit.
    digits
        Behind the point.
    percent
        A share, shown times a hundred.
    null
        What stands where there is no value; say which unknown it is where one can.
    words
        Values → what is shown instead.
    right
        Words that are figures, such as an interval; numbers stand on the right by themselves.
    """

    heading: str
    digits: int = 0
    percent: bool = False
    null: str = "not known"
    words: Mapping[str, str] | None = None
    right: bool = False


def table(
    frame: pl.DataFrame,
    columns: Mapping[str, Col],
    caption: str,
    *,
    name: str = "",
    empty: str = "Nothing to show.",
) -> Markup:
    """
    Write a frame as a table that scrolls by itself where it is wider than the page.

    The first column names the row. Text is escaped, and may run from right to left.

    Parameters
    ----------
    frame
        The rows, in the order to be shown.
    columns
        Column of the frame → how it is shown; others are left out.
    caption
        What the table holds; unique on its page, for it names the region that scrolls.
    name
        The table's id on the page.
    empty
        What is said where there are no rows.

    Examples
    --------
    >>> rows = pl.DataFrame({"ward": ["A<b>"], "french": [None]})
    >>> html = table(rows, {"ward": Col("ward"), "french": Col("tube, Ch")}, "Tubes")
    >>> "A&lt;b&gt;" in html, "not known" in html
    (True, True)
    """
    right = {key: col.right or frame.schema[key].is_numeric() for key, col in columns.items()}
    dated = {key: frame.schema[key].is_temporal() for key in columns}
    headings = [{"text": col.heading, "right": right[key]} for key, col in columns.items()]
    rows = [
        [
            {"text": said(value, col), "right": right[key], "dated": dated[key], "unknown": value is None}
            for value, (key, col) in zip(row, columns.items(), strict=True)
        ]
        for row in frame.select(*columns).iter_rows()
    ]
    return render("table.html.j2", caption=caption, name=name, headings=headings, rows=rows, empty=empty)


def said(value: Any, col: Col) -> str:
    """
    A value in words and figures: thousands apart, instants in UTC, a share in per cent.

    Examples
    --------
    >>> said(0.0731, Col("rate", digits=1, percent=True)), said(None, Col("")), said(12345, Col(""))
    ('7.3 %', 'not known', '12,345')
    """
    if value is None:
        return col.null
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, int | float):
        number = f"{100 * value if col.percent else value:,.{col.digits}f}"
        return number.replace("-", "−") + (" %" if col.percent else "")
    if isinstance(value, datetime):
        return value.strftime("%Y-%m-%d %H:%M")
    if isinstance(value, date):
        return value.isoformat()
    return (col.words or {}).get(str(value), str(value))
