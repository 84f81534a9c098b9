"""The quiet floor: how far a device's pressure reading moves when nothing moves the pressure."""

from __future__ import annotations

import polars as pl

from pipeline.course.grid import decimal
from pipeline.definitions import Definitions, EnvelopeRules
from schemas.vocabulary import State


def mark_quiet_floor(grid: pl.DataFrame, definitions: Definitions) -> pl.DataFrame:
    """
    Add each minute's max − min, and what it is to be held against on this device.

    A sensor has noise, so the greatest and the least sample of a minute differ even in a line that is
    shut. How much is told by the use's own stable self-check minutes, in which the line's end is held
    shut: upright, nothing ringing, max − min at most `floor_stable` (the minutes in which the device
    draws its test pressure are not stable). Their median is the use's floor where there are at least
    `floor_minutes` of them; else the default. Never from minutes of therapy, whatever they show, and
    never from another use.

    Parameters
    ----------
    grid
        `use_id`, `state`, `tilted`, `alerts`, `pressure_min_cmh2o`, `pressure_max_cmh2o`.
    definitions
        Takes `[envelope]` and `[trace]` (least swing).

    Returns
    -------
    The grid with, in cm[H2O]: `range_cmh2o` (max − min; null where either is); `quiet_floor_cmh2o`;
    `still_most_cmh2o`, the range up to which a minute shows a still pressure: the default floor, or the
    use's own and `own_margin`, for half of the still minutes exceed a median; `absent_below_cmh2o`,
    the range below which no swing that counts can be hidden: the least swing, or the own floor and
    `own_margin` if greater; `moved_least_cmh2o`, the range from which on a swing that counts may be in it.

    Examples
    --------
    >>> from pipeline.definitions import load_definitions
    >>> held_shut = pl.DataFrame({
    ...     "use_id": "u", "state": ["check", "check", "run"], "tilted": False, "alerts": [[], [], []],
    ...     "pressure_min_cmh2o": [-20.1, -20.1, -22.0], "pressure_max_cmh2o": [-20.0, -20.0, -18.5],
    ... }, schema_overrides={"alerts": pl.List(pl.String)})
    >>> mark_quiet_floor(held_shut, load_definitions()).select(pl.col("^.*_cmh2o$")).row(2)[2:]
    (3.5, 0.1, 0.3, 0.5, 0.6)
    """
    rules, least = definitions.envelope, definitions.trace.least_swing
    own, floor = pl.col("_own_floor"), pl.col("quiet_floor_cmh2o")
    return (
        grid.join(_own_floors(grid, rules), on="use_id", how="left", maintain_order="left")
        .with_columns(
            range_cmh2o=decimal(pl.col("pressure_max_cmh2o") - pl.col("pressure_min_cmh2o")),
            quiet_floor_cmh2o=own.fill_null(rules.floor),
            still_most_cmh2o=decimal(own + rules.own_margin).fill_null(rules.floor),
            absent_below_cmh2o=pl.max_horizontal(pl.lit(least), decimal(own + rules.own_margin)),
        )
        .with_columns(moved_least_cmh2o=decimal(floor + least))
        .drop("_own_floor")
    )


def _own_floors(grid: pl.DataFrame, rules: EnvelopeRules) -> pl.DataFrame:
    """`use_id`, `_own_floor`: of the uses with enough stable self-check minutes."""
    spread = decimal(pl.col("pressure_max_cmh2o") - pl.col("pressure_min_cmh2o"))
    return (
        grid.lazy()
        .filter(
            (pl.col("state") == State.CHECK.value).fill_null(False),
            ~pl.col("tilted").fill_null(True),
            pl.col("alerts").list.len().fill_null(0) == 0,
            (spread <= rules.floor_stable).fill_null(False),
        )
        .group_by("use_id")
        .agg(_own_floor=spread.median().round(2), _minutes=pl.len())
        .filter(pl.col("_minutes") >= rules.floor_minutes)
        .select("use_id", "_own_floor")
        .sort("use_id")
        .collect()
    )
