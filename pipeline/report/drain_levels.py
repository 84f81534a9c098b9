"""A drain's course at several finenesses: least and greatest of each bucket of minutes, holes kept."""

from __future__ import annotations

import polars as pl

WIDTHS = (1, 4, 15, 60, 240)  # minutes a bucket; each level about a quarter as long as the one before
MOST_DRAWN = 1200  # buckets at once: about one a pixel of the strip, and as many as redraw without a wait

# What is drawn, and the columns of a minute its least and its greatest come from.
DRAWN: dict[str, tuple[pl.Expr, pl.Expr]] = {
    "leak": (pl.col("air_leak_ml_min"), pl.col("air_leak_ml_min")),
    "median": (pl.col("leak_median_ml_min"), pl.col("leak_median_ml_min")),
    "pressure": (
        pl.min_horizontal("pressure_min_cmh2o", "pressure_mean_cmh2o"),
        pl.max_horizontal("pressure_max_cmh2o", "pressure_mean_cmh2o"),
    ),
    "mean": (pl.col("pressure_mean_cmh2o"), pl.col("pressure_mean_cmh2o")),
    "set": (pl.col("set_pressure_cmh2o"), pl.col("set_pressure_cmh2o")),
    "swing": (pl.col("swing_cmh2o"), pl.col("swing_cmh2o")),
    # Fluid as read; where the volume was not read (tilted, say) only a floor is known, drawn apart.
    "output": (_read := pl.when("volume_read").then("output_ml"), _read),
    "floor": (_floor := pl.when(~pl.col("volume_read")).then("output_ml"), _floor),
}


def levels(minutes: pl.DataFrame) -> dict[int, pl.DataFrame]:
    """
    The course at each fineness that a reader may need, from single minutes up to the whole in one picture.

    Parameters
    ----------
    minutes
        As in `buckets`.

    Returns
    -------
    Minutes a bucket → `buckets` of that width. The last is the first that has no more than `MOST_DRAWN`
    buckets, or the coarsest there is.
    """
    made: dict[int, pl.DataFrame] = {}
    for width in WIDTHS:
        made[width] = buckets(minutes, width)
        if made[width].height <= MOST_DRAWN:
            break
    return made


def buckets(minutes: pl.DataFrame, width: int) -> pl.DataFrame:
    """
    Gather minutes into buckets; of each the extremes are kept and nothing is averaged.

    A spike of one minute stays the greatest of its bucket. A bucket never reaches over a minute that the
    log lacks: it ends before a hole and the next begins after it, so no line can be drawn across. Of a
    quantity that was not read although the log has the minute, a bucket knows what the others of its
    minutes say, and is blank where none says anything.

    Parameters
    ----------
    minutes
        `minute`, `seen` and the readings of the view `minute`, in time order, each minute once.
    width
        Minutes a bucket, at most.

    Returns
    -------
    `place` (minutes from the first of them to the bucket's first), `minutes` (its length), and for each of
    `DRAWN` its least and greatest, `leak_lo`, `leak_hi`, …

    Examples
    --------
    >>> from datetime import datetime, timedelta, UTC
    >>> log = pl.DataFrame({
    ...     "minute": [datetime(2031, 3, 10, tzinfo=UTC) + timedelta(minutes=i) for i in (0, 1, 2, 5, 6)],
    ...     "seen": True, "air_leak_ml_min": [0.0, 900.0, 10.0, None, 30.0],
    ... })
    >>> found = buckets(log, 2)
    >>> found["place"].to_list(), found["minutes"].to_list()
    ([0, 2, 5], [2, 1, 2])
    >>> found["leak_hi"].to_list()
    [900.0, 10.0, 30.0]
    """
    blank = {
        name: pl.lit(None, pl.Boolean if name == "volume_read" else pl.Float64)
        for name in _READINGS
        if name not in minutes.columns
    }
    place = (pl.col("minute") - pl.col("minute").min()).dt.total_minutes().cast(pl.Int64)
    stretch = (pl.col("place").diff() != 1).fill_null(True).cum_sum()
    seen = minutes.with_columns(place=place, **blank).filter("seen").with_columns(stretch=stretch)
    inside = (pl.col("place") - pl.col("place").first().over("stretch")) // width
    return (
        seen.group_by("stretch", inside.alias("inside"), maintain_order=True)
        .agg(
            pl.col("place").first(),
            minutes=pl.len().cast(pl.Int64),
            **{f"{name}_lo": low.min() for name, (low, _) in DRAWN.items()},
            **{f"{name}_hi": high.max() for name, (_, high) in DRAWN.items()},
        )
        .drop("stretch", "inside")
    )


_READINGS = (
    "air_leak_ml_min",
    "leak_median_ml_min",
    "pressure_min_cmh2o",
    "pressure_mean_cmh2o",
    "pressure_max_cmh2o",
    "set_pressure_cmh2o",
    "swing_cmh2o",
    "output_ml",
    "volume_read",
)
