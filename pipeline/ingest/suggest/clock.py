"""The clock of an unknown export: its columns, their format, and what is doubtful in it."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import product

from pipeline.ingest.suggest.columns import Column
from pipeline.ingest.suggest.draft import FILL_IN, Draft
from pipeline.ingest.suggest.identities import zone_of
from pipeline.ingest.suggest.sheet import Sheet
from pipeline.ingest.suggest.times import (
    Format,
    day_format,
    moment_format,
    parsed,
    parted_format,
    time_formats,
)
from pipeline.ingest.suggest.words import plain_words, speaks
from pipeline.ingest.turned_dates import turned_dates

_HOLDS_STILL = 0.9  # share of neighbours a minute apart from which a clock is one


def clock_of(columns: Sequence[Column]) -> tuple[tuple[str, ...], Format | None]:
    """The columns of the clock and their format: by them most rows lie a minute after the one before."""
    texts = [
        column
        for column in columns
        if column.filled and not column.is_trace and speaks(plain_words(column.name), "exported_at") == 0.0
    ]
    found: list[tuple[Format, tuple[str, ...]]] = []
    for column in texts:
        if (form := moment_format(column.filled)) is not None:
            found.append((form, (column.name,)))
    days = [column for column in texts if day_format(column.distinct[:50])]
    hours = [column for column in texts if time_formats(column.filled[:50])]
    for day, hour in product(days, hours):
        both = [(d, h) for d, h in zip(day.cells, hour.cells, strict=True) if d and h]
        form = parted_format([d for d, _ in both], [h for _, h in both]) if both and day is not hour else None
        if form is not None:
            found.append((form, (day.name, hour.name)))
    if not found:
        return (), None
    form, names = max(found, key=lambda pair: pair[0].steps)
    return names, form


def times_of(
    draft: Draft,
    sheet: Sheet,
    columns: Sequence[Column],
    clocks: tuple[str, ...],
    form: Format | None,
    timezone: str | None,
) -> None:
    """Draft `[clock]`: the format with its doubt, the zone, and whether summer time is followed."""
    if form is None:
        draft.say(
            "clock",
            "format",
            FILL_IN,
            "no column holds times that can be read; write one like %d.%m.%Y %H:%M",
        )
    else:
        doubt = None
        if form.rival is not None:
            doubt = f"{form.rival} reads it as well: day or month first? Look at a log with a day past 12"
        elif form.steps < _HOLDS_STILL:
            doubt = f"by it {form.steps:.0%} of the rows lie a minute after the one before"
        elif form.steps < 1:
            doubt = _turned(columns, clocks, form)
        draft.say("clock", "format", form.format, doubt)
    zone_of(draft, sheet, timezone)
    if form is None or "%z" not in form.format:
        draft.remark(
            "clock",
            "clock_follows_dst = true or false, where somebody knows whether the clock follows summer time; "
            "left out, the ledger looks at all exports",
        )


def _turned(columns: Sequence[Column], clocks: tuple[str, ...], form: Format) -> str | None:
    """Whether its days would follow one another with day and month the other way."""
    cells = [next(column.cells for column in columns if column.name == name) for name in clocks]
    clock = parsed([" ".join(parts) for parts in zip(*cells, strict=True)], form.format)
    return None if clock is None else turned_dates(clock)
