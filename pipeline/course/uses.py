"""Runs of minutes of one (device, session): the uses of a device."""

from __future__ import annotations

import polars as pl

from pipeline.course.order import in_order
from pipeline.course.zones import MINUTE_US
from pipeline.definitions import UseRules
from schemas.lake import USE_TABLE
from schemas.vocabulary import State

_OWNER = ["dev", "session"]


def name_uses(rows: pl.DataFrame, rules: UseRules) -> pl.DataFrame:
    """
    Give each observed minute its use: a run of minutes of one (device, session) without a long hole.

    Parameters
    ----------
    rows
        One row an observed minute: `dev` (a number for site and device), `site`, `device`, `session`,
        `instant` (minutes since 1970, UTC).
    rules
        `hole`: so many minutes without a row end a use.

    Returns
    -------
    `rows` with `use_id` and `minute`, sorted by them.

    Examples
    --------
    >>> rows = pl.DataFrame(
    ...     {"dev": 0, "site": "s", "device": "d", "session": 1, "instant": [0, 1, 1442, 2882]}
    ... )
    >>> name_uses(rows, UseRules(hole=1440))["use_id"].unique().sort().to_list()
    ['s:d/1@19700101T0000Z', 's:d/1@19700102T0002Z']
    """
    rows = in_order(rows, *_OWNER, "instant")
    begins = (pl.col("instant").diff() - 1 >= rules.hole) | pl.any_horizontal(
        pl.col(name) != pl.col(name).shift() for name in _OWNER
    )
    rows = rows.with_columns(
        begins=begins.fill_null(True),
        minute=(pl.col("instant") * MINUTE_US).cast(pl.Datetime("us")).dt.replace_time_zone("UTC"),
    ).with_columns(use=pl.col("begins").cum_sum())
    started = pl.col("minute").dt.strftime("%Y%m%dT%H%MZ")
    names = (
        rows.filter("begins")
        .select("use", use_id=pl.format("{}:{}/{}@{}", "site", "device", "session", started))
        .sort("use_id")
        .with_row_index("place")
    )
    rows = rows.join(names, on="use", how="left", maintain_order="left")
    return in_order(rows, "place", "instant").drop("begins", "use", "place")


def list_uses(rows: pl.DataFrame, exports: pl.DataFrame) -> pl.DataFrame:
    """
    One row a use, with what its outcome will rest on.

    Parameters
    ----------
    rows
        RESOLVED columns, `zone` and `clock_carried_minutes`, sorted by use and minute.
    exports
        `site`, `device`, `last_export_at`: the latest export of each device that may be whole; null where
        there is none.

    Returns
    -------
    USE_TABLE. A use begins with a check if its first observed minute is one.

    Two of its columns are there to show that a use is over, and say nothing where it may not be. It has a
    later session if another session of the device began after its end. `last_export_at` is its own end
    where every export of the device was cut off, for what is missing may be more of the use. Where the
    same session goes on after the hole (the same number, without a counter reset in between), the use has
    no later session and its own end as `last_export_at`: nobody can tell whether it was the same tube.
    """
    uses = rows.group_by("use_id", maintain_order=True).agg(
        pl.col("site", "device", "epoch", "session").first(),
        timezone=pl.col("zone").first(),
        started_at=pl.col("minute").first(),
        ended_at=pl.col("minute").last() + pl.duration(minutes=1),
        minutes_observed=pl.len(),
        begins_with_check=(pl.col("state").first() == State.CHECK.value).fill_null(False),
        clock_uncertain=pl.col("clock_uncertain").any(),
        clock_steps=pl.col("clock_step").sum(),
        clock_carried_minutes=pl.col("clock_carried_minutes").first(),
        last_epoch=pl.col("epoch").last(),
    )
    device = ["site", "device"]
    uses = uses.sort(*device, "epoch", "session", "started_at").with_columns(
        stretch=pl.int_range(pl.len()).over(*device, "epoch", "session")
    )
    return USE_TABLE.conform(_told_over(uses.join(exports, on=device, how="left"))).sort("use_id")


def _told_over(uses: pl.DataFrame) -> pl.DataFrame:
    """The uses with `later_session` and a `last_export_at` that speak of uses which do not go on."""
    device = ["site", "device"]
    continues = pl.col("epoch") == pl.col("last_epoch").shift(1)
    run = uses.sort(*device, "session", "started_at").with_columns(
        part=(~continues).fill_null(True).cum_sum().over(*device, "session")
    )
    session = [*device, "session", "part"]
    goes_on = pl.col("started_at") < pl.col("started_at").max().over(session)
    return run.with_columns(
        later_session=~goes_on & (pl.col("started_at").max().over(device) >= pl.col("ended_at")),
        last_export_at=pl.when(~goes_on).then("last_export_at").fill_null(pl.col("ended_at")),
    )
