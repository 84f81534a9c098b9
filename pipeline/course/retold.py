"""Minutes that several files without a record counter tell of: do they say the same of them?"""

from __future__ import annotations

import polars as pl

from pipeline.course.order import in_order
from pipeline.course.zones import in_repeated_hours

_MINUTE = ["dev", "wall"]
_TOLD = {
    "one": pl.Int64,
    "other": pl.Int64,
    "session": pl.Int64,
    "wall": pl.Int64,
    "agrees": pl.Boolean,
    "joins": pl.Boolean,
}


def told_twice(lines: pl.DataFrame, readings: pl.DataFrame) -> pl.DataFrame:
    """
    Pair the pieces that hold a row of the same minute of the clock, and compare the two rows.

    Rows agree if no reading that both have differs, and if both moved on from the row before: a dry drain
    can say the same minute after minute, and then one minute's being like another's tells nothing. Rows of
    which one or both are blank say nothing either. Rows of two sessions differ whatever they say, for a
    device serves one patient at a time. Alerts and traces are not looked at.

    Parameters
    ----------
    lines
        From `cut_segments`, in its order: `dev`, `session`, `wall`, `zone`, `counted`, `segment`, `content`
        (digest of the readings) and `at` (row in `readings`). Lines with a counter are left aside.
    readings
        The reading columns, one row a line.

    Returns
    -------
    One row a pair of pieces and minute: `one` and `other` (numbers of the pieces, the lower first),
    `session` (null: two), `wall`, `agrees` (null: they tell nothing) and `joins` (whether the two may be
    the same row: of one session, and in an hour that comes twice only with the very same readings).
    """
    shared = _shared_minutes(lines)
    if shared.is_empty():
        return pl.DataFrame(schema=_TOLD)
    pairs = pl.concat([_alike(shared), _unlike(shared, readings)])
    low, high = pl.min_horizontal("one", "other"), pl.max_horizontal("one", "other")
    return pairs.select(low.alias("one"), high.alias("other"), *list(_TOLD)[2:]).cast(_TOLD)  # type: ignore[arg-type]


def _shared_minutes(lines: pl.DataFrame) -> pl.DataFrame:
    """The rows of minutes that several pieces hold, with `minute` (a number) and what a row is worth."""
    bare = lines.filter(~pl.col("counted")).select(*_MINUTE, "session", "segment", "zone", "content", "at")
    bare = bare.with_columns(
        moved=((pl.col("content") != pl.col("content").shift()) & (pl.col("segment").diff() == 0)).fill_null(
            False
        )
    )
    rows = in_order(bare, *_MINUTE, "segment")
    same = pl.all_horizontal(pl.col(name).eq_missing(pl.col(name).shift()) for name in _MINUTE)
    rows = rows.with_columns(minute=(~same).cum_sum(), again=same & (pl.col("segment").diff() != 0))
    several = rows.filter("again")["minute"].unique()
    rows = rows.filter(pl.col("minute").is_in(several.implode())).drop("again")
    rows = rows.with_columns(content=pl.struct("session", "content").rank("dense").cast(pl.Int64))
    return in_order(rows.with_columns(in_repeated_hours(rows)), "minute", "content", "segment")


def _alike(shared: pl.DataFrame) -> pl.DataFrame:
    """Pieces that say the very same of a minute, each paired with the next."""
    before = pl.col("segment", "moved").shift()
    same = (pl.col("minute").diff() == 0) & (pl.col("content").diff() == 0)
    moved = pl.col("moved") & pl.col("moved").shift()
    return (
        shared.select(before.name.prefix("before_"), "segment", "session", "wall", moved=moved, same=same)
        .filter("same", pl.col("segment") != pl.col("before_segment"))
        .select(
            "session",
            "wall",
            one="before_segment",
            other="segment",
            agrees=pl.when("moved").then(True),
            joins=pl.lit(True),
        )
        .select(*_TOLD)
    )


def _unlike(shared: pl.DataFrame, readings: pl.DataFrame) -> pl.DataFrame:
    """Pieces that say something else of a minute, or leave a blank; the first to say so speaks for all."""
    said = shared.unique(["minute", "content"], keep="first", maintain_order=True)
    said = said.filter(pl.len().over("minute") > 1)
    pairs = said.join(said, on="minute", suffix="_other").filter(
        pl.col("content") < pl.col("content_other"), pl.col("segment") != pl.col("segment_other")
    )
    # A minute in which the session changed has rows of both: there like is compared with like.
    of_one = pl.col("session") == pl.col("session_other")
    two = (pl.min_horizontal("segment", "segment_other"), pl.max_horizontal("segment", "segment_other"))
    pairs = pairs.filter(of_one | ~of_one.any().over("minute", two[0].alias("low"), two[1].alias("high")))
    differs = pairs["session"] != pairs["session_other"]
    common = pl.repeat(False, len(pairs), eager=True)
    for name in readings.columns:
        if name == "alerts":
            continue
        values = readings.get_column(name)
        one, other = values.gather(pairs["at"]), values.gather(pairs["at_other"])
        common = common | (one.is_not_null() & other.is_not_null())
        differs = differs | (one != other).fill_null(False)
    telling = pairs["moved"] & pairs["moved_other"] & common
    return (
        pairs.with_columns(differs=differs, telling=telling)
        .select(
            "wall",
            session=pl.when(of_one).then("session"),
            one="segment",
            other="segment_other",
            agrees=pl.when("differs").then(False).when("telling").then(True),
            joins=of_one & ~pl.col("repeated") & ~pl.col("repeated_other"),
        )
        .select(*_TOLD)
    )
