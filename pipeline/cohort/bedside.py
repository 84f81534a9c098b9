"""What somebody at the bedside could have known at each minute: trailing windows only, no later reading."""

from __future__ import annotations

import polars as pl

from pipeline.cohort.bedside_breathing import with_breathing_so_far
from pipeline.cohort.bedside_fluid import with_fluid_so_far
from pipeline.cohort.bedside_suspicion import with_suspicion
from pipeline.course.tilt import mark_tilt
from pipeline.definitions import Definitions
from schemas.lake import BEDSIDE
from schemas.vocabulary import State

_READINGS = (
    "use_id",
    "minute",
    "span",
    "observed",
    "state",
    "set_pressure_cmh2o",
    "pressure_mean_cmh2o",
    "pressure_min_cmh2o",
    "pressure_max_cmh2o",
    "air_leak_ml_min",
    "canister_volume_ml",
    "tilt_deg",
    "alerts",
    "assessable",
    "leak_median_ml_min",
    "leak_on",
)


def bedside_minutes(
    drain_use: pl.DataFrame,
    course: pl.DataFrame,
    evidence: pl.DataFrame,
    uses: pl.DataFrame,
    notes: pl.DataFrame,
    definitions: Definitions,
) -> pl.DataFrame:
    """
    The observed minutes of drains as a removal rule may look at them (BEDSIDE).

    Everything but the last column rests on that minute's reading and those before it: later minutes of the
    log cannot move it. The course looks back over the finished therapy (windows on both sides, fitted fluid,
    an hour to tell a clamp), so of it only the readings themselves are used, and the verdict of each trace by
    itself.

    - `leak_ml_min`: the reading, where the minute counts for a rule: observed, running or of unsaid state,
      and nothing suspected (`with_suspicion`).
    - `stopped_so_far`: minutes so far in which the rule's clock stood still because the device did not run
      or because the line was suspected to be shut, open or blocked.
    - `output_so_far`, `read_at`: the fluid by `with_fluid_so_far`, from the drain's beginning, and when it
      was last read.
    - `breathed_at`, `breathed_basis`: when tidaling was last seen (`with_breathing_so_far`), and by what.
    - `leak_median_ml_min`: m(t) of the course where assessable and known to be on or off, for looking back at
      what came after.

    Parameters
    ----------
    drain_use
        `drain_id`, `use_id`, `from_at`, `until_at`; stretches of one drain do not overlap.
    course, evidence, uses
        COURSE, EVIDENCE and USE_TABLE rows of whole uses; others are left out.
    notes
        From `use_annotations`: `use_id`, `started_at`, `ended_at`, `kind`.
    """
    wanted = drain_use.select("use_id").unique()
    grid = (
        course.lazy()
        .select(_READINGS)
        .join(wanted.lazy(), on="use_id", how="semi")
        .sort("use_id", "minute")
        .with_columns(
            row=pl.int_range(pl.len(), dtype=pl.Int64),
            use_no=pl.col("use_id").rle_id(),
            span_no=pl.struct("use_id", "span").rle_id(),
            running=(pl.col("state") == State.RUN.value).fill_null(False),
        )
        .collect()
    )
    grid = mark_tilt(grid, definitions.tilted)
    grid = with_fluid_so_far(grid, uses, definitions)
    grid = with_breathing_so_far(grid, evidence, definitions)
    grid = with_suspicion(grid, notes, definitions)
    return _cut(grid, drain_use)


def _cut(grid: pl.DataFrame, drain_use: pl.DataFrame) -> pl.DataFrame:
    """The grid's minutes as the drains', with what is counted from each drain's own beginning."""
    drain, begins = "drain_id", pl.col("from_at") > pl.col("minute").first().over("use_no")
    stopped = pl.col("suspected") | (~pl.col("running") & pl.col("state").is_not_null())
    own = (
        grid.lazy()
        .filter("observed")
        .join(drain_use.lazy().select(drain, "use_id", "from_at", "until_at"), on="use_id")
        .with_columns(begins=begins)
        .filter((pl.col("from_at") <= pl.col("minute")) & (pl.col("minute") < pl.col("until_at")))
        .sort(drain, "minute")
        # What came before a drain took over a running device, or was read of that only later, is not its own.
        .with_columns(
            first_reading=(pl.col("came").is_not_null().cum_sum() == 1).over(drain, "use_no", "from_at")
        )
        .with_columns(came=pl.when(~(pl.col("begins") & pl.col("first_reading"))).then("came").otherwise(0))
    )
    read = pl.col("volume_read")
    return BEDSIDE.conform(
        own.select(
            drain,
            "minute",
            leak_ml_min=pl.when(~stopped).then("air_leak_ml_min"),
            stopped_so_far=stopped.cast(pl.Int32).cum_sum().over(drain),
            output_so_far=pl.when(read.cum_sum().over(drain) > 0).then(
                pl.col("came").fill_null(0).cum_sum().over(drain)
            ),
            read_at=pl.when(read).then("minute").forward_fill().over(drain),
            breathed_at=pl.when("breath_seen").then("minute").forward_fill().over(drain),
            breathed_basis=pl.when("breath_seen").then("breath_basis").forward_fill().over(drain),
            leak_median_ml_min=pl.when(pl.col("assessable") & pl.col("leak_on").is_not_null()).then(
                "leak_median_ml_min"
            ),
        ).collect()
    )
