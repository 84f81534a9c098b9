"""Where breathing was seen to stop and to come back, and how well that can be dated."""

from __future__ import annotations

import polars as pl

from pipeline.course.grid import latest_row, next_row, on_rows
from pipeline.definitions import EnvelopeRules
from schemas.vocabulary import TidalingBasis, Verdict


def mark_sightings(grid: pl.DataFrame, evidence: pl.DataFrame, rules: EnvelopeRules) -> pl.DataFrame:
    """
    Add what a minute itself shows of breathing, apart from what was held over from its neighbours.

    A traced verdict holds until the next trace, so the verdict of a minute may rest on evidence up to
    ten minutes old: good enough to count minutes, not to date a stop. Here a minute shows breathing,
    or its absence, only by its own trace or, untraced, by its envelope verdict and its own max − min:
    in an absent minute no swing that counts can hide, and in a present one it can be. Around minutes in
    which the drain is carried nothing shows breathing: steps have a rhythm, too, in a trace as well.

    Returns
    -------
    The grid with `traced`; `breath_seen` and `absence_seen` (booleans); `swing_seen_cmh2o` (of a minute
    that shows breathing) and `swing_bound_cmh2o` (the most that can be hidden in a minute that shows
    absence), both max − min where untraced; the rows of the sightings around, within the
    span: `breath_row` (last breathing up to here), `next_breath_row`, `absence_row` (last absence up to
    here), `next_absence_row`, null where none; `run_count`, running
    minutes so far, by which onsets are timed (a pause hides breathing, it does not stop it); and
    `breaks`, holes and clock steps so far: between two rows with different `breaks` nothing can be dated.
    """
    traces = evidence.select(
        "use_id",
        "minute",
        traced=pl.lit(True),
        trace_verdict="verdict",
        trace_swing="swing_cmh2o",
        trace_bound="swing_high_cmh2o",
    )
    joined = grid.join(on_rows(grid, traces), on="row", how="left", maintain_order="left").with_columns(
        pl.col("traced").fill_null(False)
    )
    by_envelope = ~pl.col("traced") & (pl.col("tidaling_basis") == TidalingBasis.ENVELOPE).fill_null(False)
    hidden = pl.col("range_cmh2o") < pl.col("absent_below_cmh2o")
    own = pl.when(hidden).then(pl.lit(Verdict.ABSENT.value)).otherwise(pl.lit(Verdict.PRESENT.value))
    by_range = pl.when(pl.col("tidaling") == own).then("tidaling")
    verdict = pl.when("traced").then("trace_verdict").when(by_envelope).then(by_range)
    carried = (pl.col("envelope_carried") >= rules.carried).fill_null(False)
    present = (verdict == Verdict.PRESENT).fill_null(False) & pl.col("running") & ~carried
    absent = (verdict == Verdict.ABSENT).fill_null(False) & pl.col("running")
    marked = joined.with_columns(
        breath_seen=present,
        absence_seen=absent,
        swing_seen_cmh2o=pl.when(present).then(
            pl.when("traced").then("trace_swing").otherwise("range_cmh2o")
        ),
        swing_bound_cmh2o=pl.when(absent).then(
            pl.when("traced").then("trace_bound").otherwise("range_cmh2o")
        ),
        run_count=pl.col("running").cast(pl.Int64).cum_sum(),
        breaks=(pl.col("no_data") | pl.col("clock_step")).cast(pl.Int64).cum_sum(),
    ).drop("trace_verdict", "trace_swing", "trace_bound")
    breath, absence = pl.col("breath_seen"), pl.col("absence_seen")
    return marked.with_columns(
        breath_row=latest_row(breath),
        next_breath_row=next_row(breath),
        absence_row=latest_row(absence),
        next_absence_row=next_row(absence),
    )
