"""The fluid of a drain: differences of its uses' outputs, one after another."""

from __future__ import annotations

import polars as pl

from pipeline.cohort.minutes import STRETCH
from pipeline.cohort.quantities import in_steps, in_units, steps_per_unit
from pipeline.definitions import Definitions, DrainRules, ResolutionRules
from schemas.vocabulary import State

_USE_OUTPUT = ["use_id", "minute", "observed", "state", "output_ml", "volume_read"]


def stretch_outputs(
    drain_use: pl.DataFrame, minutes: pl.DataFrame, course: pl.DataFrame, definitions: Definitions
) -> pl.DataFrame:
    """
    What each stretch of a use added to its drain's fluid.

    A use's output counts from the use's beginning; a drain that takes over in the middle gets only what
    came after: the last reading in its stretch less the last one before it. Where the device ran on for more
    than `drain.read_within` after the last reading, nobody knows what came in the end, and what was read
    is no sum. Quantities are whole steps of the volume resolution, so that sums are exact.

    Parameters
    ----------
    drain_use
        Stretches: `drain_id`, `use_id`, `from_at`, `until_at`.
    minutes
        From `drain_minutes`.
    course
        COURSE of the whole uses: the readings before a stretch are needed.

    Returns
    -------
    `drain_use` with `base` (steps of the use's output at the stretch's beginning; null where the volume was
    long unread by then), `amount` (steps that
    came in it; 0 where nothing was observed, null where it was not read to the end), `before` (steps of the
    drain before the stretch; null where one of the earlier amounts is) and `output_before_ml` (to
    add to the use's output to get the drain's).
    """
    per_ml = steps_per_unit(definitions.resolution.volume)
    readings = (
        course.lazy()
        .select(*_USE_OUTPUT)
        .filter(pl.col("output_ml").is_not_null())
        .join(drain_use.lazy().select(*STRETCH), on="use_id")
        .filter(pl.col("minute") < pl.col("from_at"))
        .group_by(STRETCH)
        .agg(base=in_steps("output_ml", per_ml).max(), base_read=read_to_end(definitions.drain))
    )
    inside = (
        minutes.lazy()
        .group_by(STRETCH)
        .agg(
            last=in_steps("output_ml", per_ml).filter("volume_read").max(),
            any_observed=pl.col("observed").any(),
            read_to_end=read_to_end(definitions.drain),
        )
    )
    amount = (
        pl.when(pl.col("last").is_not_null() & pl.col("read_to_end"))
        .then(pl.col("last") - pl.col("base"))
        .when(~pl.col("any_observed").fill_null(False))
        .then(0)
    )
    earlier = pl.col("amount").fill_null(0).cum_sum().shift(1).over("drain_id").fill_null(0)
    unknown = pl.col("amount").is_null().cast(pl.Int8).cum_max().shift(1).over("drain_id").fill_null(0) == 1
    return (
        drain_use.lazy()
        .join(readings, on=STRETCH, how="left")
        .join(inside, on=STRETCH, how="left")
        .with_columns(base=pl.when(pl.col("base_read").fill_null(True)).then(pl.col("base").fill_null(0)))
        .with_columns(amount=amount)
        .sort("drain_id", "from_at", "use_id")
        .with_columns(before=pl.when(~unknown).then(earlier))
        .with_columns(output_before_ml=in_units(pl.col("before") - pl.col("base"), per_ml))
        .collect()
    )


def read_to_end(rules: DrainRules) -> pl.Expr:
    """
    Whether minutes that belong together were read to their end, as an aggregate over them.

    They were where the last accepted reading lies at most `read_within` before the last minute that ran, or
    of which the log does not say whether it did; a hole or a pause after it asks for nothing.
    """
    read = pl.col("minute").filter("volume_read").max()
    may_run = pl.col("observed") & (pl.col("state") == State.RUN.value).fill_null(True)
    ran = pl.col("minute").filter(may_run).max()
    return ((ran - read <= pl.duration(minutes=rules.read_within)) | ran.is_null()) & read.is_not_null()


def with_drain_output(
    minutes: pl.DataFrame, stretches: pl.DataFrame, resolution: ResolutionRules
) -> pl.DataFrame:
    """The minutes with `fluid`: the drain's output so far in steps of the volume resolution, where read."""
    per_ml = steps_per_unit(resolution.volume)
    return minutes.join(
        stretches.select(*STRETCH, offset=pl.col("before") - pl.col("base")),
        on=STRETCH,
        how="left",
        maintain_order="left",
    ).with_columns(fluid=in_steps("output_ml", per_ml) + pl.col("offset"))
