"""What a publication changed: the drains as published before against the drains now."""

from __future__ import annotations

from pathlib import Path

import duckdb
import polars as pl

from pipeline.query.reader import reader
from schemas.errors import LedgerError
from schemas.published import CHANGE, DRAIN


def changes(before: Path | None, drain: pl.DataFrame, cause: str | pl.DataFrame | None) -> pl.DataFrame:
    """
    List every value of `drain` that differs from the publication before, as text.

    A drain that came or went is one row with the column `drain_id`; its other columns are not listed.
    Instants are rendered in UTC to the second, numbers in the fewest digits that tell them apart.

    Parameters
    ----------
    before
        The database published before; none (or a path where nothing stands) for a first publication,
        which changes nothing. A file that cannot be read as one counts as none: there is nothing to
        compare with, and the new publication is what mends it.
    drain
        Rows of the table `drain`, as they will be published.
    cause
        One of the contract's words for all changes, or a frame of `drain_id` and `cause`, or null where
        it is not known.

    Returns
    -------
    Rows of the table `change`, ordered by drain and column.
    """
    earlier = None if before is None else _published(before)
    if earlier is None:
        return CHANGE.empty()
    was, now = _cells(earlier, "before"), _cells(drain, "after")
    came_or_went = earlier.select("drain_id").join(drain.select("drain_id"), on="drain_id", how="full")
    lone = came_or_went.filter(pl.col("drain_id").is_null() | pl.col("drain_id_right").is_null()).select(
        pl.coalesce("drain_id", "drain_id_right").alias("drain_id"),
        pl.lit("drain_id").alias("column"),
        pl.col("drain_id").alias("before"),
        pl.col("drain_id_right").alias("after"),
    )
    moved = (
        was.join(now, on=["drain_id", "column"], how="full", coalesce=True)
        .filter(pl.col("before").ne_missing(pl.col("after")))
        .join(lone, on="drain_id", how="anti")
        .select("drain_id", "column", "before", "after")
    )
    found = pl.concat([lone, moved])
    if isinstance(cause, pl.DataFrame):
        found = found.join(cause.select("drain_id", "cause"), on="drain_id", how="left", validate="m:1")
    else:
        found = found.with_columns(pl.lit(cause, dtype=pl.String).alias("cause"))
    return CHANGE.conform(found).sort("drain_id", "column")


def _published(database: Path) -> pl.DataFrame | None:
    if not database.exists():
        return None
    try:
        with reader(database) as connection:
            earlier: pl.DataFrame = connection.sql("SELECT * FROM drain").pl()
            return earlier
    except (duckdb.Error, LedgerError):
        return None


def _cells(drain: pl.DataFrame, side: str) -> pl.DataFrame:
    """Drains as (drain_id, column, text): a column that one side lacks is null on that side."""
    rendered = drain.select(
        pl.col("drain_id"),
        *(
            _text(name, dtype).alias(name)
            for name, dtype in drain.schema.items()
            if name in DRAIN.names and name != "drain_id"
        ),
    )
    return rendered.unpivot(index="drain_id", variable_name="column", value_name=side)


def _text(name: str, dtype: pl.DataType) -> pl.Expr:
    if isinstance(dtype, pl.Datetime):
        return pl.col(name).dt.convert_time_zone("UTC").dt.strftime("%Y-%m-%dT%H:%M:%SZ")
    return pl.col(name).cast(pl.String)
