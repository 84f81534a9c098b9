"""How far the clock steps in a drain or before it put its durations in doubt, and the hours of its leak."""

from __future__ import annotations

import polars as pl

from pipeline.definitions import ProlongedLeakRules


def clock_doubt(
    drain_use: pl.DataFrame,
    course: pl.DataFrame,
    definition: ProlongedLeakRules,
    uses: pl.DataFrame | None = None,
) -> pl.DataFrame:
    """
    When the clock of a drain's devices was first stepped, and by how much in all at most.

    A step behind a hole is a clock put forward or a device that was off: the time that passed lies between
    none and the hole. A step without a hole is a clock set back. By how much, the device's counter tells
    (`clock_step_minutes`); where it does not, `definition.set_back` is taken, for the rows behind the step
    show the same minutes again. A clock that was put right moved no time.

    A step before the drain's first minute moved nothing inside its log, but all of it against the origin,
    where that comes from the registry and its clock: so it counts as well, by what earlier steps of the
    device had set its clock back in all (`uses`). Of several devices the one that is furthest off counts. A
    leap before that minute is no such step, for the device may have been off. Against an origin that is the
    log's own first minute no earlier step counts.

    Parameters
    ----------
    drain_use
        `drain_id`, `use_id`, `from_at`, `until_at`.
    course
        COURSE of the whole uses: `use_id`, `minute`, `observed`, `clock_step`, `clock_step_minutes`.
    uses
        Those of the uses whose drain has its origin from the registry: `drain_id`, `use_id`,
        `clock_carried_minutes`; without it there are none.

    Returns
    -------
    One row a drain with a step: `drain_id`, `first_step_at` (first minute behind a step), `leapt` and
    `set_back` (minutes).

    Examples
    --------
    >>> from datetime import datetime
    >>> from pipeline.definitions import load_definitions
    >>> at = [datetime(2031, 3, 10, hour) for hour in (6, 7, 12, 13)]
    >>> use = pl.DataFrame({"drain_id": "D", "use_id": "U", "from_at": at[0], "until_at": at[3]})
    >>> minutes = pl.DataFrame(
    ...     {"minute": at[:3], "clock_step": [False, False, True], "clock_step_minutes": [None, None, 299]}
    ... )
    >>> course = minutes.with_columns(use_id=pl.lit("U"), observed=True)
    >>> clock_doubt(use, course, load_definitions().prolonged_leak[0]).select("leapt", "set_back").row(0)
    (299, 0)
    """
    if uses is None:
        uses = drain_use.select("drain_id", "use_id", clock_carried_minutes=pl.lit(0, pl.Int32)).clear()
    # Most drains have neither a step of their own nor one before them: their minutes are not looked at.
    moved = pl.col("clock_carried_minutes").ne_missing(0)
    with_step = pl.concat([course.filter("clock_step").select("use_id"), uses.filter(moved).select("use_id")])
    drains = drain_use.join(with_step, on="use_id", how="semi")
    stretches = drain_use.join(drains, on="drain_id", how="semi")
    rows = (
        course.lazy()
        .filter(pl.col("observed"))
        .select("use_id", "minute", "clock_step", "clock_step_minutes")
        .join(stretches.lazy().select("drain_id", "use_id", "from_at", "until_at"), on="use_id")
        .join(uses.lazy().with_columns(by_registry=True), on=["drain_id", "use_id"], how="left")
        .with_columns(pl.col("by_registry").fill_null(False))
        .collect()
    )
    inside = rows.filter((pl.col("from_at") <= pl.col("minute")) & (pl.col("minute") < pl.col("until_at")))
    unsized = round(definition.set_back * 60)
    return (
        pl.concat([_inside(inside, unsized), _carried(rows, inside, unsized)])
        .group_by("drain_id")
        .agg(pl.col("first_step_at").min(), pl.col("leapt", "set_back").sum())
        .sort("drain_id")
    )


_STRETCH = ["drain_id", "use_id", "from_at"]


def _inside(inside: pl.DataFrame, unsized: int) -> pl.DataFrame:
    """The steps in a drain; those on the first minute of a use count as carried where such count."""
    passed = (pl.col("minute") - pl.col("minute").shift(1)).over("drain_id").dt.total_minutes() - 1
    begins = pl.col("minute") == pl.col("minute").min().over(_STRETCH)
    size = pl.col("clock_step_minutes").cast(pl.Int64)
    leapt = pl.min_horizontal("passed", size.abs())  # of a hole, what the counter leaves unexplained
    back = pl.when(size.is_null()).then(unsized).otherwise(pl.max_horizontal(-size, 0))
    return (
        inside.sort("drain_id", "minute", "use_id")
        .with_columns(passed=passed, begins=begins & pl.col("by_registry"))
        .filter("clock_step", pl.col("passed").is_not_null(), ~pl.col("begins"))
        .group_by("drain_id")
        .agg(
            first_step_at=pl.col("minute").min(),
            leapt=leapt.filter(pl.col("passed") > 0).sum(),
            set_back=pl.when(pl.col("passed") <= 0).then(back).sum(),
        )
    )


def _carried(rows: pl.DataFrame, inside: pl.DataFrame, unsized: int) -> pl.DataFrame:
    """How far the steps before the first minute of each of a drain's uses had set it back; the furthest."""
    firsts = inside.filter("by_registry").group_by(_STRETCH).agg(first=pl.col("minute").min())
    earlier = (pl.col("minute") > pl.col("minute").min()) & (pl.col("minute") <= pl.col("first"))
    step, size = pl.col("clock_step"), pl.col("clock_step_minutes").cast(pl.Int64)
    back = pl.min_horizontal(size, 0).filter(earlier & step).sum()
    moved = pl.col("clock_carried_minutes").first().cast(pl.Int64) + back
    known = ~(earlier & step & size.is_null()).any()
    return (
        rows.join(firsts, on=_STRETCH)
        .group_by(_STRETCH)
        .agg(first=pl.col("first").first(), moved=pl.when(known).then(moved).fill_null(-unsized))
        .group_by("drain_id")
        .agg(
            first_step_at=pl.col("first").filter(pl.col("moved") != 0).min(),
            leapt=pl.lit(0, pl.Int64),
            set_back=-pl.col("moved").min(),
        )
        .filter(pl.col("first_step_at").is_not_null())
    )


def doubted_end(cases: pl.DataFrame) -> pl.DataFrame:
    """
    The end of each drain's leak with what the steps of the clock before it leave open.

    Between the origin, which the registry has from another clock, and the leak's end as the log has it, the
    clock may have leapt over time that did not pass, or have shown time twice. So the end lies as much
    earlier as the clock leapt, or later as it was set back: `leak_end_earliest_at` and `leak_end_latest_at`
    hold that. Where it is more than `clock_doubt` in all, how long the leak went on is not known and
    `leak_hours` is null; curves then follow the leak to the earliest end and no further. A step after the
    leak's end timed nothing of it.

    Parameters
    ----------
    cases
        `origin_at`, the leak's columns (from `leak_outcome`), what `clock_doubt` gives (null: no step), and
        the definition's `clock_doubt` (minutes).

    Returns
    -------
    The same rows and columns.
    """
    leapt, back = (pl.col(name).fill_null(0) for name in ("leapt", "set_back"))
    end = pl.coalesce("leak_ended_at", "leak_end_earliest_at")
    crossed = (pl.col("first_step_at") < end).fill_null(False)
    earliest = pl.max_horizontal("origin_at", pl.col("leak_end_earliest_at") - pl.duration(minutes=leapt))
    known = pl.col("leak_end_earliest_at").is_not_null()
    return cases.with_columns(
        leak_end_earliest_at=pl.when(crossed & known)
        .then(pl.min_horizontal("leak_end_earliest_at", earliest))
        .otherwise("leak_end_earliest_at"),
        leak_end_latest_at=pl.when(crossed)
        .then(pl.col("leak_end_latest_at") + pl.duration(minutes=back))
        .otherwise("leak_end_latest_at"),
        leak_hours=pl.when(~(crossed & (leapt + back > pl.col("clock_doubt")))).then("leak_hours"),
    )
