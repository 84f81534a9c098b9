"""Occlusion suspected: a tube that breathed and drained suddenly does neither."""

from __future__ import annotations

import polars as pl

from pipeline.course.grid import STRETCH, at, decimal, over_windows, paint
from pipeline.definitions import ClampRules, OcclusionRules
from schemas.vocabulary import AlertCode, AnnotationKind, Grade, Verdict


def find_occlusions(
    grid: pl.DataFrame, rules: OcclusionRules, clamp: ClampRules, floor: float
) -> pl.DataFrame:
    """
    Find stretches in which the tube may be blocked, each clause with its answer and figures.

    A stretch joins minutes that are running, with tidaling absent (a finding) and a known leak of at
    most `leak_most`; pauses, up to `unseen_most` undecided minutes in a row and up to `interrupted_by`
    with more leak may lie between; a hole, a present verdict or a clamped line ends it. It is suspected
    where

    - `long_enough`: at least `least` such minutes;
    - `breathed_before`: breathing was seen within `look_back` before, with no hole or clock step between;
    - `drained_before`: with a leak (median over `leak_window` before that) above `leak_before`, or an
      output (over `look_back`) above `output_before`;
    - `stopped_at_once`: the swing just before was neither faded (at least `swing_kept` of that of the
      hours before) nor near what is left (at most `swing_left` of it), within `onset_unresolved`
      running minutes; with traces at most `traces_apart` around the stop it must be within
      `onset_within`, and then it is `onset_dated`;
    - `output_fell`: at most `output_share` of what the earlier rate would have brought, where that is
      at least `output_expected`; fluid that nobody read is unknown, not nil: only the part up to the
      last reading is judged, and where too little was to be expected by then this fails;
    - not `drains_on`: where little was to be expected, it must not have come all the same (at least
      `output_goes_on` of it, and more than that least share);
    - `flow_seen_to_stop`, asked where the onset is not dated: a leak above `leak_before` went, or that
      much output was missed. Breathing alone that goes at an unknown pace is no suspicion;
    - `outlasts_a_clamp`, asked where the onset is not dated and somebody had a hand on the drain then:
      absence was seen for `clamp.return_within` or longer. Until then it may be a forgotten clamp.

    A gradual loss of breathing, leak and output is usually the lung coming up, sometimes a clot or a
    filling loop: it is never called occlusion.

    Grade `possible`; `probable` where the onset is dated, nobody had a hand on the drain just then (a
    forgotten clamp looks the same), the earlier output is known, and either `line_blocked` rings, or the
    pressure goes still (median of max − min at most `floor`) and flow was seen to stop.

    Parameters
    ----------
    floor
        cm[H2O]: max − min of a pressure that nothing moves.

    Returns
    -------
    One row a suspected occlusion: `from_row`, `to_row`, `grade`, `detail`, and the clauses and figures
    by name.
    """
    stretches = _still_stretches(grid, rules).filter(pl.col("still_minutes") >= rules.least)
    judged = _judged(grid, stretches, rules, clamp, floor)
    raised = judged.filter(clause.fill_null(False) for clause in suspicion_clauses().values())
    sure = pl.all_horizontal(clause.fill_null(False) for clause in probable_clauses().values())
    return raised.with_columns(
        grade=pl.when(sure).then(pl.lit(Grade.PROBABLE.value)).otherwise(pl.lit(Grade.POSSIBLE.value)),
        detail=_detail(rules),
    )


def judge_occlusions(
    grid: pl.DataFrame, rules: OcclusionRules, clamp: ClampRules, floor: float
) -> pl.DataFrame:
    """
    Every stretch that could be suspected, short ones too: `find_occlusions` before anything is left out.

    Returns
    -------
    `from_row`, `to_row`, the figures, and the clauses by name, null where unknown.
    """
    return _judged(grid, _still_stretches(grid, rules), rules, clamp, floor)


def suspicion_clauses() -> dict[str, pl.Expr]:
    """What a stretch of `judge_occlusions` must meet to be suspected, by name."""
    return {
        "long_enough": pl.col("long_enough"),
        "breathed_before": pl.col("breathed_before"),
        "drained_before": pl.col("drained_before"),
        "stopped_at_once": pl.col("stopped_at_once"),
        "output_fell": pl.col("output_fell"),
        "not_draining_on": ~_told("drains_on"),
        "onset_or_flow": _told("onset_dated") | _told("flow_seen_to_stop"),
        "no_forgotten_clamp": _told("onset_dated") | ~_told("handled_then") | _told("outlasts_a_clamp"),
    }


def probable_clauses() -> dict[str, pl.Expr]:
    """What a suspected stretch must meet for the grade `probable`, by name."""
    return {
        "onset_dated": pl.col("onset_dated"),
        "untouched_then": ~_told("handled_then"),
        "rate_known": pl.col("rate_ml_h").is_not_null(),
        "agreed": _told("alert_agrees") | (_told("pressure_still") & _told("flow_seen_to_stop")),
    }


def still_clauses(rules: OcclusionRules) -> dict[str, pl.Expr]:
    """What a minute must meet to count for a stretch that could be suspected, by name."""
    return {
        "running": pl.col("running"),
        "tidaling_absent": pl.col("tidaling") == Verdict.ABSENT,
        "leak_low": pl.col("air_leak_ml_min") <= rules.leak_most,
        "not_clamped": ~pl.col("clamped"),
    }


def mark_occlusion(grid: pl.DataFrame, occlusions: pl.DataFrame, annotations: pl.DataFrame) -> pl.DataFrame:
    """
    Add `occlusion_suspected` with grade and detail.

    Staff decide where the log cannot: a noted `confirmed_occlusion` stands as `annotated`; a suspicion
    that a noted `refuted` touches is not raised.
    """
    columns = list(STRETCH)
    noted = annotations.filter(pl.col("kind") == AnnotationKind.CONFIRMED_OCCLUSION).select(columns)
    refuted = annotations.filter(pl.col("kind") == AnnotationKind.REFUTED).select(
        refuted_from="from_row", refuted_to="to_row"
    )
    touched = occlusions.select("from_row", "to_row").join_where(
        refuted, pl.col("from_row") <= pl.col("refuted_to"), pl.col("to_row") >= pl.col("refuted_from")
    )
    found = occlusions.join(touched.unique("from_row"), on="from_row", how="anti", maintain_order="left")
    return paint(grid, "occlusion_suspected", pl.concat([noted, found.select(columns)]))


def _judged(
    grid: pl.DataFrame, stretches: pl.DataFrame, rules: OcclusionRules, clamp: ClampRules, floor: float
) -> pl.DataFrame:
    figured = _figures(grid, _onsets(grid, stretches), rules)
    return figured.with_columns(**_clauses(rules, clamp, floor))


def _told(clause: str) -> pl.Expr:
    """What was not seen to hold does not hold."""
    return pl.col(clause).fill_null(False)


def _still_stretches(grid: pl.DataFrame, rules: OcclusionRules) -> pl.DataFrame:
    still = pl.all_horizontal(still_clauses(rules).values()).fill_null(False)
    ends = pl.col("no_data") | (pl.col("tidaling") == Verdict.PRESENT) | pl.col("clamped")
    minutes = grid.select(
        "row",
        "span_no",
        still=still,
        ends=ends.cast(pl.Int64).cum_sum(),
        against=(pl.col("air_leak_ml_min") > rules.leak_most).fill_null(False).cast(pl.Int64).cum_sum(),
        unpaused=(~pl.col("paused")).cast(pl.Int64).cum_sum(),
    ).filter("still")
    begins = (
        (pl.col("span_no") != pl.col("span_no").shift(1))
        | (pl.col("ends") != pl.col("ends").shift(1))
        | (pl.col("against") - pl.col("against").shift(1) > rules.interrupted_by)
        | (pl.col("unpaused") - pl.col("unpaused").shift(1) - 1 > rules.unseen_most)
    ).fill_null(True)
    return (
        minutes.with_columns(window=begins.cast(pl.Int64).cum_sum())
        .group_by("window", maintain_order=True)
        .agg(
            from_row=pl.col("row").first(), to_row=pl.col("row").last(), still_minutes=pl.len().cast(pl.Int64)
        )
    )


def _onsets(grid: pl.DataFrame, stretches: pl.DataFrame) -> pl.DataFrame:
    breath = at(grid, "breath_row", stretches["from_row"])
    # Without a sighting of its own (only held verdicts) absence begins where the stretch does.
    absence = at(grid, "next_absence_row", breath).fill_null(stretches["from_row"])
    return stretches.with_columns(
        breath.alias("last_breath"),
        absence.alias("absence"),
        last_absence=pl.max_horizontal(at(grid, "absence_row", stretches["to_row"]), "from_row"),
        span_first_row=at(grid, "span_first_row", stretches["from_row"]),
        span_last_row=at(grid, "span_last_row", stretches["from_row"]),
        breaks_between=at(grid, "breaks", stretches["from_row"]) - at(grid, "breaks", breath),
    ).with_columns(
        onset_minutes=at(grid, "run_count", absence) - at(grid, "run_count", breath),
    )


def _figures(grid: pl.DataFrame, onsets: pl.DataFrame, rules: OcclusionRules) -> pl.DataFrame:
    def window(first: pl.Expr, last: pl.Expr, **figures: pl.Expr) -> pl.DataFrame:
        inside = onsets.filter(pl.col("last_breath").is_not_null()).select(
            "window",
            from_row=pl.max_horizontal(first, "span_first_row"),
            to_row=pl.min_horizontal(last, "span_last_row"),
        )
        return over_windows(grid, inside, **figures)

    breath, absence = pl.col("last_breath"), pl.col("absence")
    running_leak = pl.col("air_leak_ml_min").filter(pl.col("running"))
    read = pl.col("volume_read")
    read_ml, read_row = pl.col("output_ml").filter(read), pl.col("row").filter(read)
    traced_row = pl.col("row").filter(pl.col("traced"))
    rings = pl.col("alerts").list.contains(AlertCode.LINE_BLOCKED.value).fill_null(False)
    swing = pl.col("swing_seen_cmh2o").median()
    parts = [
        window(breath - rules.leak_window + 1, breath, leak_before=running_leak.median()),
        window(
            breath - rules.look_back + 1,
            breath,
            earlier_swing=swing,
            ml_before=decimal(read_ml.last() - read_ml.first()),
            minutes_before=read_row.last() - read_row.first(),
        ),
        window(breath - rules.swing_window + 1, breath, swing_before=swing),
        window(absence, absence + rules.swing_window - 1, swing_after=pl.col("swing_bound_cmh2o").median()),
        window(
            breath,
            absence,
            hands=pl.col("handled").any(),
            traced_ends=pl.col("traced").first() & pl.col("traced").last(),
            traces_apart=traced_row.diff().max(),
        ),
        window(
            # The last minutes may only hold an older verdict, while the tube runs again.
            pl.col("from_row"),
            pl.col("last_absence"),
            last_read=read_row.last(),
            output_ml=decimal(pl.col("output_ml").last() - pl.col("output_ml").first()),
        ),
        window(
            pl.col("from_row"),
            pl.col("to_row"),
            leak_most=running_leak.max(),
            rings=rings.any(),
            range_still=pl.col("range_cmh2o").filter(pl.col("running")).median(),
        ),
        window(
            pl.col("to_row"),
            pl.col("to_row") + rules.release_within,
            breathes_again=(pl.col("tidaling") == Verdict.PRESENT).any(),
        ),
    ]
    for part in parts:
        onsets = onsets.join(part, on="window", how="left", maintain_order="left")
    return_row = at(grid, "next_breath_row", onsets["to_row"])
    until = (return_row + rules.release_within).clip(upper_bound=onsets["span_last_row"])
    minutes = pl.col("last_absence") - pl.col("from_row") + 1
    minutes_read = pl.col("last_read") - pl.col("from_row") + 1
    earlier = pl.when(pl.col("minutes_before") >= rules.rate_least)
    return onsets.with_columns(
        ml_until=at(grid, "output_ml", until),
        ml_at_end=at(grid, "output_ml", onsets["last_absence"]),
    ).with_columns(
        rate_ml_h=earlier.then(pl.col("ml_before") * 60 / pl.col("minutes_before")),
        expected_ml=earlier.then(pl.col("ml_before") * minutes / pl.col("minutes_before")),
        expected_read_ml=earlier.then(pl.col("ml_before") * minutes_read / pl.col("minutes_before")),
        released_ml=decimal(pl.col("ml_until") - pl.col("ml_at_end")),
        # Counted from the last reading before the stretch: at worst this is too much, never too little.
        output_ml=pl.when(pl.col("last_read").is_not_null()).then("output_ml"),
    )


def _clauses(rules: OcclusionRules, clamp: ClampRules, floor: float) -> dict[str, pl.Expr]:
    dated = (
        pl.col("traced_ends")
        & (pl.col("traces_apart") <= rules.traces_apart)
        & (pl.col("onset_minutes") <= rules.onset_within)
    )
    well_traced = pl.col("traced_ends") & (pl.col("traces_apart") <= rules.traces_apart)
    slow = well_traced.fill_null(False) & (pl.col("onset_minutes") > rules.onset_within)
    steep = (pl.col("swing_after") <= rules.swing_left * pl.col("swing_before")) & (
        pl.col("swing_before") >= rules.swing_kept * pl.col("earlier_swing")
    )
    expected = pl.col("expected_ml").fill_null(0)
    missed = (
        (pl.col("output_ml") <= rules.output_share * pl.col("expected_read_ml"))
        & (pl.col("expected_read_ml") >= rules.output_expected)
    ).fill_null(False)
    return {
        "long_enough": pl.col("still_minutes") >= rules.least,
        "breathed_before": (pl.col("from_row") - pl.col("last_breath") <= rules.look_back)
        & (pl.col("breaks_between") == 0),
        "drained_before": (pl.col("leak_before") > rules.leak_before).fill_null(False)
        | (pl.col("rate_ml_h") > rules.output_before).fill_null(False),
        "stopped_at_once": steep & ~slow & (pl.col("onset_minutes") <= rules.onset_unresolved),
        "onset_dated": dated,
        "handled_then": pl.col("hands"),
        "output_fell": (expected < rules.output_expected) | missed,
        "drains_on": (pl.col("output_ml") >= rules.output_goes_on * pl.col("expected_read_ml"))
        & (pl.col("output_ml") > rules.output_share * rules.output_expected),
        "flow_seen_to_stop": (pl.col("leak_before") > rules.leak_before).fill_null(False) | missed,
        "outlasts_a_clamp": pl.col("last_absence") - pl.col("absence") >= clamp.return_within,
        "alert_agrees": pl.col("rings"),
        "pressure_still": pl.col("range_still") <= floor,
        "released": pl.col("breathes_again") & (pl.col("released_ml") >= rules.release_output),
    }


def _detail(rules: OcclusionRules) -> pl.Expr:
    def figure(name: str, unit: str) -> pl.Expr:
        return pl.format("{} {}", pl.col(name).round(1), pl.lit(unit)).fill_null("unknown")

    freed = pl.format(
        "; released: {} mL within {} min of breathing again",
        pl.col("released_ml").round(1),
        pl.lit(rules.release_within),
    )

    def word(condition: str, text: str) -> pl.Expr:
        return pl.when(condition).then(pl.lit(text)).otherwise(pl.lit(""))

    return pl.format(
        "tidaling absent with leak at most {} for {} min; before: swing {}, leak {}, output {}; "
        "after: swing below {}, output {} where {} was to be expected by the last reading; last breathing "
        "seen {} running minutes before the first absence{}{}{}{}{}",
        figure("leak_most", "mL/min"),
        "still_minutes",
        figure("swing_before", "cm[H2O]"),
        figure("leak_before", "mL/min"),
        figure("rate_ml_h", "mL/h"),
        figure("swing_after", "cm[H2O]"),
        figure("output_ml", "mL"),
        figure("expected_read_ml", "mL"),
        "onset_minutes",
        pl.when("onset_dated").then(pl.lit("")).otherwise(pl.lit(", onset unresolved")),
        word("handled_then", ", just after handling"),
        word("alert_agrees", "; alert line_blocked rang"),
        word("pressure_still", "; pressure still"),
        pl.when("released").then(freed).otherwise(pl.lit("")),
    )
