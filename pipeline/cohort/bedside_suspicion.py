"""When the line was suspected to be shut, open or blocked, by what had been seen so far."""

from __future__ import annotations

import polars as pl

from pipeline.cohort.quantities import steps_per_unit
from pipeline.course.line_open import line_open_clauses
from pipeline.definitions import Definitions
from schemas.vocabulary import AlertCode, AnnotationKind

_SPAN = "span_no"
_OPEN_NOW = ("running", "flow_high", "suction_lost")


def with_suspicion(grid: pl.DataFrame, notes: pl.DataFrame, definitions: Definitions) -> pl.DataFrame:
    """
    Add `suspected`: the minutes in which dry and tight may mean shut or blocked, or the leak the room's.

    A blocked or clamped tube looks dry and tight, so the clock of a removal rule stops while one is
    suspected. The course tells these apart looking back; at the bedside one errs towards suspicion:

    - the leak stops at once: a reading of at most `occlusion.leak_most` after readings (`clamp.readings`, the
      last at most `clamp.return_within` minutes earlier) with a median above `occlusion.leak_before`. Until
      there is leak again, breathing is seen, `occlusion.release_output` of fluid comes, or the pressure has
      moved since (median of the last `clamp.readings` ranges above the quiet floor) and breathing was not
      found absent;
    - breathing goes at once: its absence is found within so few running minutes after it was last seen
      that it did not fade (`occlusion.onset_within`, or one envelope window, and `tidaling.settle`), from a
      swing of which what counts as breathing is at most `occlusion.swing_left`, with a leak in the last
      `occlusion.leak_window` minutes, an output above `occlusion.output_before`, or a pause in between. Until
      breathing or leak is seen, or fluid comes as above, or after `occlusion.least` minutes
      `occlusion.output_goes_on` of what the rate before would have brought;
    - the line is open to the room (`line_open_clauses`), or `line_leak` or `line_blocked` rings;
    - staff noted a clamp trial or an occlusion, but for minutes that read a leak above `leak.on_above`: that
      air came through the line. A trial without an end lasts until leak or breathing is seen.

    Parameters
    ----------
    grid
        From `with_breathing_so_far`, with `fluid`.
    notes
        From `use_annotations`.
    """
    per_ml = steps_per_unit(definitions.resolution.volume)
    noted = _noted(grid, notes)
    facts = _facts(noted, definitions, per_ml)
    leaks = (pl.col("leak") > definitions.occlusion.leak_before).fill_null(False)
    stopped = _standing(facts, "leak_stops", _reopened(definitions, per_ml) | leaks | _moved(definitions))
    absent = _standing(
        stopped, "breath_stops", _reopened(definitions, per_ml) | leaks | _drains_on(definitions, per_ml)
    )
    trial = _standing(absent, "trial_begins", _reopened(definitions, per_ml) | leaks)
    rings = pl.any_horizontal(
        pl.col("alerts").list.contains(code.value).fill_null(False)
        for code in (AlertCode.LINE_BLOCKED, AlertCode.LINE_LEAK)
    )
    clauses = line_open_clauses(definitions.line_open)
    # Not for how long: that is known only afterwards.
    opened = pl.all_horizontal(clauses[name] for name in _OPEN_NOW).fill_null(False)
    # A breath at this minute could come from before the note began; the leak is of the minute itself.
    flows = ~opened & (pl.col("leak") > definitions.leak.on_above).fill_null(False)
    noted_shut = pl.col("noted") & ~flows
    marks = [pl.col(f"{name}_stands") for name in ("leak_stops", "breath_stops", "trial_begins")]
    return trial.select(*grid.columns, suspected=pl.any_horizontal(*marks, rings, opened, noted_shut))


def _facts(grid: pl.DataFrame, definitions: Definitions, per_ml: int) -> pl.DataFrame:
    """Add what suspicion begins with: `leak_stops`, `breath_stops`, and what its end is told by."""
    clamp, flow = definitions.clamp, definitions.occlusion
    earlier = (
        grid.lazy()
        .filter(pl.col("running") & pl.col("air_leak_ml_min").is_not_null())
        .select(
            "row",
            leak="air_leak_ml_min",
            before=pl.col("air_leak_ml_min")
            .rolling_median(clamp.readings, min_samples=clamp.readings)
            .shift(1)
            .over(_SPAN),
            before_row=pl.col("row").shift(1).over(_SPAN),
        )
        .collect()
    )
    hours, least = flow.look_back, flow.rate_least
    fluid = pl.col("fluid")
    first_row = pl.when(fluid.is_not_null()).then("row").min().over(_SPAN)
    past_row = pl.max_horizontal(pl.col("row") - hours, first_row)
    past = pl.coalesce(fluid.shift(hours).over(_SPAN), fluid.drop_nulls().first().over(_SPAN))
    known = (
        grid.join(earlier, on="row", how="left", maintain_order="left")
        .with_columns(
            ran=pl.col("running").cast(pl.Int32).cum_sum(),
            rate=pl.when(pl.col("row") - past_row >= least).then((fluid - past) / (pl.col("row") - past_row)),
            moves=pl.col("range_cmh2o")
            .rolling_median(clamp.readings, min_samples=clamp.readings)
            .over(_SPAN),
            leak_row=pl.when(pl.col("leak") > flow.leak_before).then("row").forward_fill().over(_SPAN),
            pause_row=pl.when(pl.col("observed") & ~pl.col("running")).then("row").forward_fill().over(_SPAN),
        )
        .with_columns(
            seen_row=pl.when("breath_seen").then("row").forward_fill().over(_SPAN),
            seen_ran=pl.when("breath_seen").then("ran").forward_fill().over(_SPAN),
            rate_then=pl.when("breath_seen").then("rate").forward_fill().over(_SPAN),
        )
    )
    at_once = max(flow.onset_within, definitions.envelope.window) + definitions.tidaling.settle
    drained = (
        (pl.col("row") - pl.col("leak_row") <= flow.leak_window).fill_null(False)
        | (pl.col("rate_then") * 60 > flow.output_before * per_ml).fill_null(False)
        | (pl.col("pause_row") > pl.col("seen_row")).fill_null(False)
    )
    return known.with_columns(
        leak_stops=(
            (pl.col("leak") <= flow.leak_most)
            & (pl.col("before") > flow.leak_before)
            & (pl.col("row") - pl.col("before_row") <= clamp.return_within)
        ).fill_null(False),
        breath_stops=(
            pl.col("absence_seen")
            & (pl.col("ran") - pl.col("seen_ran") <= at_once)
            & (pl.col("swing_seen_cmh2o") >= definitions.trace.least_swing / flow.swing_left)
        ).fill_null(False)
        & drained,
    )


def _standing(grid: pl.DataFrame, onset: str, cleared: pl.Expr) -> pl.DataFrame:
    """Add `<onset>_stands`: begun and not cleared since; `cleared` may use `onset_row` and `onset_fluid`."""
    begun = grid.with_columns(
        onset_row=pl.when(onset).then("row").forward_fill().over(_SPAN),
        onset_fluid=pl.when(onset).then("fluid").forward_fill().over(_SPAN),
    )
    since = (pl.col("row") > pl.col("onset_row")) & cleared.fill_null(False)
    return (
        begun.with_columns(cleared_row=pl.when(since).then("row").forward_fill().over(_SPAN))
        .with_columns(
            (
                pl.col("onset_row").is_not_null()
                & (pl.col("cleared_row") < pl.col("onset_row")).fill_null(True)
            ).alias(f"{onset}_stands")
        )
        .drop("onset_row", "onset_fluid", "cleared_row")
    )


def _reopened(definitions: Definitions, per_ml: int) -> pl.Expr:
    """Breathing seen by evidence of after the onset, or fluid that came since."""
    traced = pl.col("traced_breath_row") > pl.col("onset_row")
    enveloped = pl.col("row") - pl.col("onset_row") >= definitions.envelope.window
    came = pl.col("fluid") - pl.col("onset_fluid") >= round(definitions.occlusion.release_output * per_ml)
    return (pl.col("breath_seen") & (traced.fill_null(False) | enveloped)) | came.fill_null(False)


def _moved(definitions: Definitions) -> pl.Expr:
    fresh = pl.col("row") - pl.col("onset_row") >= definitions.clamp.readings
    return fresh & (pl.col("moves") > pl.col("still_most_cmh2o")) & ~pl.col("absence_seen")


def _drains_on(definitions: Definitions, per_ml: int) -> pl.Expr:
    flow = definitions.occlusion
    minutes = pl.col("row") - pl.col("onset_row")
    came = pl.col("fluid") - pl.col("onset_fluid")
    enough = came >= flow.output_goes_on * pl.col("rate_then") * minutes
    more_than_jitter = came > flow.output_share * flow.output_expected * per_ml
    return (minutes >= flow.least) & enough & more_than_jitter


def _noted(grid: pl.DataFrame, notes: pl.DataFrame) -> pl.DataFrame:
    """Add `noted` (staff noted a clamp trial or an occlusion) and `trial_begins` (a trial without an end)."""
    kinds = [AnnotationKind.CLAMP_TRIAL.value, AnnotationKind.CONFIRMED_OCCLUSION.value]
    ours = notes.filter(pl.col("kind").is_in(kinds)).with_columns(
        first=pl.col("started_at").dt.truncate("1m"),
        last=(pl.col("ended_at") - pl.duration(microseconds=1)).dt.truncate("1m"),
    )
    told = (
        ours.with_columns(minute=pl.datetime_ranges("first", pl.coalesce("last", "first"), "1m"))
        .explode("minute")
        .select("use_id", "minute", noted=pl.lit(True))
        .unique()
    )
    trials = (
        ours.filter(pl.col("last").is_null() & (pl.col("kind") == AnnotationKind.CLAMP_TRIAL.value))
        .select("use_id", minute="first", trial_begins=pl.lit(True))
        .unique()
    )
    keys = ["use_id", "minute"]
    return (
        grid.join(told, on=keys, how="left", maintain_order="left")
        .join(trials, on=keys, how="left", maintain_order="left")
        .with_columns(pl.col("noted", "trial_begins").fill_null(False))
    )
