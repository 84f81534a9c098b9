"""Occlusion suspected: a tube that breathed and drained suddenly does neither."""

from __future__ import annotations

import polars as pl

from pipeline.course.grid import STRETCH, covered, decimal, over_windows, paint
from pipeline.course.handling import HANDS
from pipeline.course.still_stretch import find_still_stretches
from pipeline.definitions import ClampRules, OcclusionRules
from schemas.vocabulary import AnnotationKind, Grade


def find_occlusions(grid: pl.DataFrame, rules: OcclusionRules, clamp: ClampRules) -> pl.DataFrame:
    """
    Find stretches in which the tube may be blocked, each clause with its answer and figures.

    A stretch (`find_still_stretches`) joins minutes that are running, with tidaling absent (a finding) and a
    known leak of at most `leak_most`, until breathing, or fluid that goes on, shows the tube open. It is
    suspected where

    - `long_enough`: at least `least` such minutes;
    - `breathed_before`: breathing was seen within `look_back` before, with no hole or clock step between;
    - `breathing_lasted`: for at least `breathed_least` minutes of that time. A walk can look like breathing,
      in a lung that has long come up as well, and its end is no stop;
    - `drained_before`: with a leak (median over `leak_window` before that) above `leak_before`, or an
      output (over `look_back`) above `output_before`;
    - `stopped_at_once`: what is left of the swing is at most `swing_left` of it just before, and just
      before it had not faded (at least `swing_kept` of that of the hours before); or it had, but of the last
      swing seen at most `swing_gone` was left at the first absence, within `onset_within`. And within
      `onset_unresolved` running minutes, with nothing since that may have been breathing. With traces at most
      `traces_apart` around the stop and the two within `onset_within` it is `onset_dated`. But swings tell
      the pace over a quarter of an hour or more, in which a lung that comes up within an hour or two looks as
      if it had stopped. So the pressure must have fallen still, from one minute to the next
      (`pressure_dated`, `mark_falls_still`), unless it is unread and nothing shows a slow stop; or it goes
      on moving, as with a pump, the onset is dated, and at the first absence at most `swing_left` of the last
      swing is left;
    - `output_fell`: at most `output_share` of what the earlier rate would have brought, where that is
      at least `output_expected`; fluid that nobody read is unknown, not nil: only the part up to the
      last reading is judged, and where too little was to be expected by then this fails, unless that part is
      by itself as long as `least`: what was suspected by then is not taken back by what nobody read;
    - not `drains_on`: where little was to be expected, it must not have come all the same (at least
      `output_goes_on` of it, and more than that least share);
    - `flow_seen_to_stop`, asked where the onset is not dated: a leak above `leak_before` went, or that
      much output was missed. In its place may stand `pressure_dated`, or `alert_agrees`: the device rings
      `line_blocked`. Breathing alone that goes at an unknown pace is no suspicion;
    - `outlasts_a_clamp`, asked where somebody had a hand on the drain then and the onset is not dated, or
      what came after is not seen (`return_seen`): absence was seen for `clamp.return_within` or longer. Until
      then it may be a forgotten clamp, opened where the log has a hole or no more minutes.

    While air leaks an untraced log cannot show breathing, for the pump moves the pressure too, and a
    trace may be undecided for the same reason. There `flow_stopped_then` may stand for what is asked of
    breathing: a leak that lasted, and the pressure with it, stopped at one minute. That alone is
    `flow_stopped`, cause unknown; it is suspected where `missed_or_rang` as well: output is missing as
    above, or the device rings `line_blocked`. A lung that seals at once drains on.

    A gradual loss of breathing, leak and output is usually the lung coming up, sometimes a clot or a
    filling loop: it is never called occlusion.

    What is suspected is that something shuts the line: a clot, a kink, a full loop, or a clamp that nobody
    noted. The log of a clamp that outlasts the hour is that of a clot, whoever had a hand on the drain, so
    `detail` says of each which it began with, a hand or none, and that a clamp looks the same.

    Grade `possible`; `probable` where the onset is dated, nobody had a hand on the drain just then (a
    forgotten clamp looks the same), the earlier output is known, and either `line_blocked` rings, or the
    pressure goes still (median of max − min at most `still_most_cmh2o`) and flow was seen to stop.

    Returns
    -------
    One row a suspected occlusion: `from_row`, `to_row`, `grade`, `detail`, and the clauses and figures
    by name.
    """
    judged = judge_occlusions(grid, rules, clamp)
    raised = judged.filter(clause.fill_null(False) for clause in suspicion_clauses().values())
    sure = pl.all_horizontal(clause.fill_null(False) for clause in probable_clauses().values())
    return _with_hands(grid, raised, clamp).with_columns(
        grade=pl.when(sure).then(pl.lit(Grade.PROBABLE.value)).otherwise(pl.lit(Grade.POSSIBLE.value)),
        detail=_detail(rules, clamp),
    )


def judge_occlusions(grid: pl.DataFrame, rules: OcclusionRules, clamp: ClampRules) -> pl.DataFrame:
    """
    Every stretch that could be suspected, short ones too: `find_occlusions` before anything is left out.

    Returns
    -------
    `from_row`, `to_row`, the figures, and the clauses by name, null where unknown.
    """
    return find_still_stretches(grid, rules).with_columns(**_clauses(rules, clamp))


def suspicion_clauses() -> dict[str, pl.Expr]:
    """What a stretch of `judge_occlusions` must meet to be suspected, by name."""
    return {
        "long_enough": pl.col("long_enough"),
        "open_before": _told("breathed_before") | _told("flow_stopped_then"),
        "breathing_lasted": _told("breathing_lasted") | _told("flow_stopped_then"),
        "drained_before": pl.col("drained_before"),
        "stopped_at_once": _told("stopped_at_once") | _told("flow_stopped_then"),
        "breath_or_fluid": (_told("breathed_before") & _told("stopped_at_once")) | _told("missed_or_rang"),
        "output_fell": pl.col("output_fell"),
        "not_draining_on": ~_told("drains_on"),
        "onset_or_flow": pl.any_horizontal(
            _told(name) for name in ("onset_dated", "pressure_dated", "flow_seen_to_stop", "alert_agrees")
        ),
        "no_forgotten_clamp": ~_told("handled_then")
        | _told("outlasts_a_clamp")
        | (_told("onset_dated") & pl.col("return_seen")),
    }


def probable_clauses() -> dict[str, pl.Expr]:
    """What a suspected stretch must meet for the grade `probable`, by name."""
    return {
        "onset_dated": pl.col("onset_dated"),
        "untouched_then": ~_told("handled_then"),
        "rate_known": pl.col("rate_ml_h").is_not_null(),
        "agreed": _told("alert_agrees") | (_told("pressure_still") & _told("flow_seen_to_stop")),
    }


def mark_occlusion(grid: pl.DataFrame, occlusions: pl.DataFrame, annotations: pl.DataFrame) -> pl.DataFrame:
    """
    Add `occlusion_suspected` with grade and detail, and take away the `flow_stopped` it explains.

    Staff decide where the log cannot: a noted `confirmed_occlusion` stands as `annotated`; a suspicion
    that a noted `refuted` touches is not raised, nor a stop of unknown cause: whoever wrote it found the
    tube open. `refuted_noted` keeps the stretches that would have been.

    A suspicion says more than "cause unknown", so it stands alone, except where it rests on that stop
    itself (`flow_stopped_then`): the cause remains unknown, and such minutes do not count for the lung.
    `flow_stopped_at_first` and `stop_explained` keep what was there before, for whoever asks why.
    """
    columns = list(STRETCH)
    noted = annotations.filter(pl.col("kind") == AnnotationKind.CONFIRMED_OCCLUSION).select(columns)
    refuted = annotations.filter(pl.col("kind") == AnnotationKind.REFUTED)
    stops = _stretches_of(grid, "flow_stopped")
    found, not_found = _touched(occlusions, refuted)
    _, no_stop = _touched(stops, refuted)
    own = found.filter(~pl.col("flow_stopped_then").fill_null(False))
    marked = paint(grid, "occlusion_suspected", pl.concat([noted, found.select(columns)]))
    refuted_rows = _rows(grid, [not_found, no_stop])
    explained = _rows(grid, [noted, own]) | _rows(grid, [no_stop])
    return marked.with_columns(
        flow_stopped_at_first=pl.col("flow_stopped"),
        stop_explained=explained,
        flow_stopped=pl.col("flow_stopped") & ~explained,
        refuted_noted=refuted_rows,
    )


def _stretches_of(grid: pl.DataFrame, flag: str) -> pl.DataFrame:
    """The unbroken stretches of a flag: `from_row`, `to_row`."""
    run = pl.struct("span_no", flag).rle_id()
    return (
        grid.select("row", flag, run=run)
        .filter(flag)
        .group_by("run", maintain_order=True)
        .agg(from_row=pl.col("row").first(), to_row=pl.col("row").last())
    )


def _touched(stretches: pl.DataFrame, notes: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
    """The stretches that no note touches, and those that one does."""
    noted = notes.select(noted_from="from_row", noted_to="to_row")
    touched = stretches.select("from_row", "to_row").join_where(
        noted, pl.col("from_row") <= pl.col("noted_to"), pl.col("to_row") >= pl.col("noted_from")
    )
    rows = touched.select("from_row").unique()
    return (
        stretches.join(rows, on="from_row", how="anti", maintain_order="left"),
        stretches.join(rows, on="from_row", how="semi", maintain_order="left"),
    )


def _rows(grid: pl.DataFrame, parts: list[pl.DataFrame]) -> pl.Series:
    """Which rows of the grid lie in any of these stretches."""
    return covered(grid, pl.concat([part.select("from_row", "to_row") for part in parts]))


def _told(clause: str) -> pl.Expr:
    """What was not seen to hold does not hold."""
    return pl.col(clause).fill_null(False)


def _clauses(rules: OcclusionRules, clamp: ClampRules) -> dict[str, pl.Expr]:
    dated = (
        pl.col("traced_ends")
        & (pl.col("traces_apart") <= rules.traces_apart)
        & (pl.col("onset_minutes") <= rules.onset_within)
    )
    well_traced = pl.col("traced_ends") & (pl.col("traces_apart") <= rules.traces_apart)
    slow = well_traced.fill_null(False) & (pl.col("onset_minutes") > rules.onset_within)
    # Where the pressure is read it tells a fall from a fading, unless something else goes on moving it.
    leaps = pl.col("swing_first_after") <= decimal(rules.swing_left * pl.col("swing_last"))
    moves_on = dated.fill_null(False) & leaps & (decimal(pl.col("range_after")) >= pl.col("absent_below"))
    at_once = _told("falls_still") | (~slow & (moves_on | ~pl.col("range_read")).fill_null(True))
    left = decimal(rules.swing_left * pl.col("swing_before"))
    gone = decimal(rules.swing_gone * pl.col("swing_last"))
    unfaded = pl.col("swing_before") >= decimal(rules.swing_kept * pl.col("earlier_swing"))
    gone_at_once = (pl.col("swing_first_after") <= gone) & (pl.col("onset_minutes") <= rules.onset_within)
    steep = (pl.col("swing_after") <= left) & (unfaded | gone_at_once)
    expected = pl.col("expected_ml").fill_null(0)
    little_by_then = (
        (pl.col("expected_read_ml") < rules.output_expected) & (pl.col("minutes_read") >= rules.least)
    ).fill_null(False)
    missed = (
        (pl.col("output_ml") <= rules.output_share * pl.col("expected_read_ml"))
        & (pl.col("expected_read_ml") >= rules.output_expected)
    ).fill_null(False)
    return {
        "long_enough": pl.col("still_minutes") >= rules.least,
        "breathed_before": (pl.col("from_row") - pl.col("last_breath") <= rules.look_back)
        & (pl.col("breaks_since") == 0),
        "breathing_lasted": pl.col("present_minutes") >= rules.breathed_least,
        "flow_stopped_then": pl.col("by_flow"),
        "drained_before": (pl.col("leak_before") > rules.leak_before).fill_null(False)
        | (pl.col("rate_ml_h") > rules.output_before).fill_null(False),
        "stopped_at_once": ~pl.col("by_flow")
        & steep
        & at_once
        & (pl.col("onset_minutes") <= rules.onset_unresolved)
        & (pl.col("present_between") == 0),
        "missed_or_rang": missed | pl.col("rings").fill_null(False),
        "onset_dated": ~pl.col("by_flow") & dated,
        "pressure_dated": pl.col("falls_still"),
        "handled_then": pl.col("hands"),
        "output_fell": (expected < rules.output_expected) | little_by_then | missed,
        "drains_on": (pl.col("output_ml") >= rules.output_goes_on * pl.col("expected_read_ml"))
        & (pl.col("output_ml") > rules.output_share * rules.output_expected),
        "flow_seen_to_stop": (pl.col("leak_before") > rules.leak_before).fill_null(False) | missed,
        "outlasts_a_clamp": pl.col("last_absence") - pl.col("absence") >= clamp.return_within,
        "alert_agrees": pl.col("rings"),
        "pressure_still": decimal(pl.col("range_still")) <= pl.col("still_most"),
        "released": pl.col("open_again") & (pl.col("released_ml") >= rules.release_output),
    }


def _with_hands(grid: pl.DataFrame, raised: pl.DataFrame, clamp: ClampRules) -> pl.DataFrame:
    """The suspicions with `hand`: what shows that somebody had a hand on the drain as each began, or null."""
    around = raised.filter("handled_then").select(
        "window",
        from_row=pl.max_horizontal(pl.col("open_row") - clamp.stop_within - 1, "span_first_row"),
        to_row=pl.min_horizontal(pl.col("absence") + 1, "span_last_row"),
    )
    hands = over_windows(grid, around, hand=pl.col("hand").min())
    return raised.join(hands, on="window", how="left", maintain_order="left")


def _detail(rules: OcclusionRules, clamp: ClampRules) -> pl.Expr:
    def figure(name: str, unit: str) -> pl.Expr:
        return pl.format("{} {}", pl.col(name).round(1), pl.lit(unit)).fill_null("unknown")

    freed = pl.format(
        "; released: {} mL within {} min of {} again",
        pl.col("released_ml").round(1),
        pl.lit(rules.release_within),
        pl.when("by_flow").then(pl.lit("air flowing")).otherwise(pl.lit("breathing")),
    )
    breathing = pl.format("last breathing seen {} running minutes before the first absence", "onset_minutes")
    air = pl.format(
        "leak and pressure stopped at once {} running minutes before the first absence, what moved the "
        "pressure before, breath or pump, is not known",
        "onset_minutes",
    )

    hand = pl.col("hand").replace_strict(dict(enumerate(HANDS)), return_dtype=pl.String)
    by_hand = pl.format(
        "; began within {} min of {}: a clamp that was left shut looks the same",
        pl.lit(clamp.stop_within),
        hand.fill_null("a hand on the drain"),
    )
    untouched = "; began with no hand on the drain in the log: a clamp that nobody noted looks the same"

    def word(condition: str, text: str) -> pl.Expr:
        return pl.when(condition).then(pl.lit(text)).otherwise(pl.lit(""))

    return pl.format(
        "tidaling absent with leak at most {} for {} min; before: swing {}, leak {}, output {}; "
        "after: swing below {}, output {} where {} was to be expected by the last reading; {}{}{}{}{}{}",
        figure("leak_most", "mL/min"),
        "still_minutes",
        figure("swing_before", "cm[H2O]"),
        figure("leak_before", "mL/min"),
        figure("rate_ml_h", "mL/h"),
        figure("swing_after", "cm[H2O]"),
        figure("output_ml", "mL"),
        figure("expected_read_ml", "mL"),
        pl.when("by_flow").then(air).otherwise(breathing),
        pl.when("onset_dated").then(pl.lit("")).otherwise(pl.lit(", onset unresolved")),
        word("alert_agrees", "; alert line_blocked rang"),
        word("pressure_still", "; pressure still"),
        pl.when("released").then(freed).otherwise(pl.lit("")),
        pl.when(_told("handled_then")).then(by_hand).otherwise(pl.lit(untouched)),
    )
