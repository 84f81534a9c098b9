"""The minute grid: every minute of a use from its first to its last, observed or not."""

from __future__ import annotations

import polars as pl

from schemas.lake import READINGS
from schemas.table import COUNT

_READING_NAMES = [column.name for column in READINGS]


def dense_grid(resolved: pl.DataFrame, cuts: pl.DataFrame) -> pl.DataFrame:
    """
    Lay the observed minutes of many uses on one grid without holes.

    Between a use's first and last observed minute every minute gets a row, in the order of
    (`use_id`, `minute`), so that on this grid a distance in rows is a distance in minutes and a
    window of rows is a window of time. Minutes that the log lacks have null readings and
    `observed = false`; an unknown minute stays unknown.

    Parameters
    ----------
    resolved
        RESOLVED rows of any set of uses, in any order.
    cuts
        `use_id`, `at`: instants at which the device went from one tube to the next. A minute that
        begins at or after `at` belongs to the later `span`. Cuts outside a use do nothing.

    Returns
    -------
    A row a minute: `row` (its own position), `use_no`, `span_no` (numbers of the use and of the
    stretch between cuts, unique in this frame), `span_first_row` and `span_last_row` (of that stretch),
    `use_id`, `site`, `device`, `session`, `minute`,
    `utc_offset_minutes` (of the last observed minute), `span` (from 0), `observed`, the readings and
    `clock_step` with `clock_step_minutes`.

    Examples
    --------
    >>> from datetime import datetime, timedelta, timezone
    >>> from schemas.lake import RESOLVED
    >>> noon = datetime(2031, 3, 10, 12, tzinfo=timezone.utc)
    >>> log = RESOLVED.conform(pl.DataFrame({
    ...     "use_id": ["u", "u"], "site": "s", "device": "d", "session": 1, "utc_offset_minutes": 60,
    ...     "minute": [noon, noon + timedelta(minutes=2)], "clock_step": False,
    ... }))
    >>> dense_grid(log, pl.DataFrame(schema={"use_id": pl.String, "at": pl.Datetime("us", "UTC")}))[
    ...     "observed"].to_list()
    [True, False, True]
    """
    bounds = (
        resolved.group_by("use_id")
        .agg(
            pl.col("site", "device", "session").min(),
            first=pl.col("minute").min(),
            last=pl.col("minute").max(),
        )
        .sort("use_id")
        .with_row_index("use_no")
        .with_columns(pl.col("use_no").cast(pl.Int64))
        .with_columns(minutes=(pl.col("last") - pl.col("first")).dt.total_minutes() + 1)
        .with_columns(first_row=pl.col("minutes").cum_sum() - pl.col("minutes"))
    )
    every_minute = (
        bounds.select(
            "use_no",
            "use_id",
            "site",
            "device",
            "session",
            minute=pl.datetime_ranges("first", "last", "1m"),
        )
        .explode("minute")
        .with_row_index("row")
        .with_columns(pl.col("row").cast(pl.Int64))
    )
    row = (
        resolved.select("use_id", "minute")
        .join(bounds.select("use_id", "first", "first_row"), on="use_id", how="left", maintain_order="left")
        .select(row=pl.col("first_row") + (pl.col("minute") - pl.col("first")).dt.total_minutes())
    )
    observed = resolved.select(
        "utc_offset_minutes",
        "clock_step",
        "clock_step_minutes",
        *_READING_NAMES,
        row["row"],
        observed=pl.lit(True),
    )
    grid = every_minute.join(observed, on="row", how="left", maintain_order="left").with_columns(
        pl.col("observed", "clock_step").fill_null(False),
        # The first minute of a use is observed, so the fill never crosses into another use.
        pl.col("utc_offset_minutes").forward_fill(),
    )
    return _with_spans(grid, cuts)


def _with_spans(grid: pl.DataFrame, cuts: pl.DataFrame) -> pl.DataFrame:
    next_full_minute = (pl.col("at") + pl.duration(minutes=1, microseconds=-1)).dt.truncate("1m")
    begins = cuts.select("use_id", minute=next_full_minute).unique().with_columns(begins=pl.lit(True))
    first_of_use = pl.col("use_no") != pl.col("use_no").shift(1, fill_value=-1)
    begins_span = pl.col("begins").fill_null(False) & ~first_of_use
    return (
        grid.join(begins, on=["use_id", "minute"], how="left", maintain_order="left")
        .with_columns(span=begins_span.cast(COUNT).cum_sum().over("use_no").cast(COUNT))
        .drop("begins")
        .pipe(numbered)
    )


def numbered(minutes: pl.DataFrame) -> pl.DataFrame:
    """
    Minutes without a hole, in order of `use_id`, `minute`, with their numbers on the grid.

    Adds `row`, `use_no`, `span_no`, `span_first_row` and `span_last_row` from `use_id` and `span`.
    """
    # Known to be in order, they need no hashing wherever a window stays within one of them.
    return minutes.with_columns(
        row=pl.int_range(pl.len()).set_sorted(),
        use_no=pl.col("use_id").rle_id().cast(pl.Int64).set_sorted(),
        span_no=pl.struct("use_id", "span").rle_id().cast(pl.Int64).set_sorted(),
    ).with_columns(
        span_first_row=pl.col("row").first().over("span_no"),
        span_last_row=pl.col("row").last().over("span_no"),
    )


def run_length(condition: pl.Expr) -> pl.Expr:
    """Length in minutes of the unbroken run of `condition` around each minute of a grid, 0 outside."""
    same_as_before = pl.col("span_no") == pl.col("span_no").shift(1)
    same_as_after = pl.col("span_no") == pl.col("span_no").shift(-1)
    goes_on = (condition.shift(1) & same_as_before).fill_null(False)
    will_go_on = (condition.shift(-1) & same_as_after).fill_null(False)
    start = pl.when(condition & ~goes_on).then(pl.col("row")).forward_fill()
    end = pl.when(condition & ~will_go_on).then(pl.col("row")).backward_fill()
    return pl.when(condition).then(end - start + 1).otherwise(0)


def bounds_of_uses(grid: pl.DataFrame) -> pl.DataFrame:
    """`use_id`, `first` (minute), `first_row`, `last_row` of each use on a grid, in its order."""
    firsts = grid.select("use_id", "use_no", first="minute", first_row="row").filter(
        pl.col("use_no").ne_missing(pl.col("use_no").shift(1))
    )
    return firsts.select(
        "use_id",
        "first",
        "first_row",
        last_row=pl.col("first_row").shift(-1, fill_value=grid.height) - 1,
    )


def on_rows(grid: pl.DataFrame, minutes: pl.DataFrame) -> pl.DataFrame:
    """Minutes (`use_id`, `minute` and more) by `row` of the grid; those it does not have are left out."""
    row = pl.col("first_row") + (pl.col("minute") - pl.col("first")).dt.total_minutes()
    return (
        minutes.join(bounds_of_uses(grid), on="use_id", maintain_order="left")
        .with_columns(row=row)
        .filter(pl.col("row").is_between("first_row", "last_row"))
        .drop("use_id", "minute", "first", "first_row", "last_row")
    )


def latest_row(condition: pl.Expr) -> pl.Expr:
    """Row of the last minute up to this one, within its span, at which `condition` holds, or null."""
    row = pl.when(condition).then("row").forward_fill()
    return pl.when(row >= pl.col("span_first_row")).then(row)


def next_row(condition: pl.Expr) -> pl.Expr:
    """Row of the first minute from this one on, within its span, at which `condition` holds, or null."""
    row = pl.when(condition).then("row").backward_fill()
    return pl.when(row <= pl.col("span_last_row")).then(row)


def is_among(rows: pl.Series) -> pl.Expr:
    """Whether a minute of a grid is one of these rows."""
    return pl.col("row").is_in(rows.implode())


def decimal(value: pl.Expr) -> pl.Expr:
    """
    A difference or product of readings as the decimal it stands for: 0.3, not 0.3000000000000007.

    Readings have a resolution; what floating point adds to a difference of two of them, a billionth or
    less, must not decide whether a limit is exceeded.
    """
    return value.round(6)


def at(grid: pl.DataFrame, column: str, rows: pl.Series) -> pl.Series:
    """The values of a grid's column at these rows; null where the row is null."""
    return grid[column].gather(rows).alias(column)


def over_windows(grid: pl.DataFrame, windows: pl.DataFrame, **figures: pl.Expr) -> pl.DataFrame:
    """
    One row of figures for each window of rows, for the few places a finding has to look at closely.

    Parameters
    ----------
    windows
        `window` (any unique number), `from_row`, `to_row` (inclusive; an empty window has null figures).
    figures
        Aggregating expressions over the grid's columns.
    """
    needed = sorted({name for figure in figures.values() for name in figure.meta.root_names()})
    found = (
        windows.lazy()
        .filter(pl.col("from_row") <= pl.col("to_row"))
        .select("window", position=pl.int_ranges("from_row", pl.col("to_row") + 1))
        .explode("position")
        .select("window", *(pl.lit(grid[name]).gather("position").alias(name) for name in needed))
        .group_by("window", maintain_order=True)
        .agg(**figures)
    )
    return (
        windows.lazy().select("window").join(found, on="window", how="left", maintain_order="left").collect()
    )


def paint(grid: pl.DataFrame, name: str, stretches: pl.DataFrame) -> pl.DataFrame:
    """
    Mark stretches of rows on a grid as `name`, with `<name>_grade` and `<name>_detail`.

    Parameters
    ----------
    stretches
        `from_row`, `to_row` (inclusive), `grade`, `detail`; where they overlap the earlier one in the
        frame stands.
    """
    rows = (
        stretches.lazy()
        .filter(pl.col("from_row") <= pl.col("to_row"))
        .select(
            pl.int_ranges("from_row", pl.col("to_row") + 1).alias("row"),
            pl.lit(True).alias(name),
            pl.col("grade").alias(f"{name}_grade"),
            pl.col("detail").alias(f"{name}_detail"),
        )
        .explode("row")
        .unique("row", keep="first", maintain_order=True)
        .collect()
    )
    return grid.join(rows, on="row", how="left", maintain_order="left").with_columns(
        pl.col(name).fill_null(False)
    )


def covered(grid: pl.DataFrame, stretches: pl.DataFrame) -> pl.Series:
    """Which rows of a grid lie in any of these stretches (`from_row`, `to_row`, inclusive)."""
    if stretches.is_empty():
        return pl.repeat(False, grid.height, eager=True)
    nothing = {"grade": pl.lit(None, pl.String), "detail": pl.lit(None, pl.String)}
    rows = stretches.select("from_row", "to_row").with_columns(**nothing)
    return paint(grid.select("row"), "covered", rows)["covered"]


STRETCH = {"from_row": pl.Int64(), "to_row": pl.Int64(), "grade": pl.String(), "detail": pl.String()}
