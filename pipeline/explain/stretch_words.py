"""Words for the clauses of whole stretches: suspected occlusion, clamped line, stopped flow."""

from __future__ import annotations

import polars as pl

from pipeline.definitions import Definitions
from pipeline.explain.words import RUNNING, Words
from schemas.vocabulary import PeriodKind

_NONE = "none"


def _yes(*columns: str) -> pl.Expr:
    """Which of some named sub-clauses hold, in words."""
    spelt = [pl.when(pl.col(name).fill_null(False)).then(pl.lit(name.replace("_", " "))) for name in columns]
    return pl.concat_list(spelt).list.drop_nulls().list.join(", ").replace("", _NONE)


def _listed(text: str, *columns: str) -> pl.Expr:
    """Several figures in one text, a question mark for what is unknown."""
    return pl.format(
        text, *(pl.col(name).cast(pl.Float64).round(1).cast(pl.String).fill_null("?") for name in columns)
    )


def _no(flag: str) -> Words:
    value = pl.when(flag).then(pl.lit("in force")).otherwise(pl.lit("not in force"))
    return Words(flag, value, "is", "not in force", "")


STILL = {
    "running": RUNNING,
    "tidaling_absent": Words("tidaling", pl.col("tidaling"), "is", "absent", ""),
    "leak_low": Words("air leak", pl.col("air_leak_ml_min"), "at most", figure="occlusion.leak_most"),
    "not_clamped": _no("clamped"),
}


def occlusion_words(d: Definitions) -> dict[str, Words]:
    """Words for what a stretch must meet to be suspected; its limits are several figures at once."""
    o = d.occlusion
    return {
        "long_enough": Words(
            "minutes with tidaling absent and leak low",
            pl.col("still_minutes"),
            "at least",
            figure="occlusion.least",
        ),
        "open_before": Words(
            "before it breathing was seen, or leak and pressure stopped at once",
            _yes("breathed_before", "flow_stopped_then"),
            "either of",
            f"the two; breathing at most {o.look_back:g} min before, no hole or clock step between",
            "",
            "occlusion.look_back",
        ),
        "breathing_lasted": Words(
            "minutes with tidaling present in that time, unless leak and pressure stopped at once",
            pl.col("present_minutes"),
            "at least",
            figure="occlusion.breathed_least",
        ),
        "drained_before": Words(
            "leak, output before",
            _listed("{} mL/min, {} mL/h", "leak_before", "rate_ml_h"),
            "above either of",
            f"{o.leak_before:g} mL/min, {o.output_before:g} mL/h",
            "",
            "occlusion.leak_before, occlusion.output_before",
        ),
        "stopped_at_once": Words(
            "swing in the hours before, just before, most that can be hidden after; the last seen, and the "
            "most at the first absence; running minutes between",
            _listed(
                "{}, {}, {}; {}, {}; {} min",
                "earlier_swing",
                "swing_before",
                "swing_after",
                "swing_last",
                "swing_first_after",
                "onset_minutes",
            ),
            "not faded",
            f"(at least {o.swing_kept:g} of it kept, or to {o.swing_gone:g} at once), fell to at most "
            f"{o.swing_left:g} of it, within {o.onset_unresolved:g} min, the pressure falling still at once "
            "where it tells; or leak and pressure at once",
            "",
            "occlusion.swing_kept, occlusion.swing_left, occlusion.swing_gone, occlusion.onset_unresolved, "
            "occlusion.onset_within",
        ),
        "breath_or_fluid": Words(
            "breathing was seen to stop, or output is missing, or line_blocked rings",
            _yes("stopped_at_once", "missed_or_rang"),
            "either of",
            "the two",
            "",
        ),
        "output_fell": Words(
            "output since, as read, of what was to be expected",
            _listed("{} of {} mL", "output_ml", "expected_read_ml"),
            "at most",
            f"{o.output_share:g} of it, where at least {o.output_expected:g} mL was to be expected (by the "
            f"last reading, if that came after {o.least:g} min)",
            "",
            "occlusion.output_share, occlusion.output_expected, occlusion.least",
        ),
        "not_draining_on": Words(
            "output since, as read, of what was to be expected",
            _listed("{} of {} mL", "output_ml", "expected_read_ml"),
            "less than",
            f"{o.output_goes_on:g} of it",
            "",
            "occlusion.output_goes_on",
        ),
        "onset_or_flow": Words(
            "traces or the pressure date the stop, flow was seen to stop, or line_blocked rings",
            _yes("onset_dated", "pressure_dated", "flow_seen_to_stop", "alert_agrees"),
            "any of",
            "the four",
            "",
            "occlusion.traces_apart, occlusion.onset_within",
        ),
        "no_forgotten_clamp": Words(
            "what tells it from a forgotten clamp",
            pl.when(pl.col("handled_then").fill_null(False))
            .then(_yes("onset_dated", "return_seen", "outlasts_a_clamp"))
            .otherwise(pl.lit("nobody had a hand on it")),
            "any of",
            f"no hand on it, a dated onset with the return seen, absence for {d.clamp.return_within:g} min",
            "",
            "clamp.return_within",
        ),
    }


PROBABLE = {
    "onset_dated": Words(
        "traces around the stop, furthest apart",
        pl.col("traces_apart"),
        "at most",
        figure="occlusion.traces_apart",
    ),
    "untouched_then": Words("a hand on the drain at the onset", pl.col("handled_then"), "is", "no", ""),
    "rate_known": Words("earlier output", _listed("{} mL/h", "rate_ml_h"), "is", "known", ""),
    "agreed": Words(
        "what agrees",
        _yes("alert_agrees", "pressure_still", "flow_seen_to_stop"),
        "is",
        "the alert, or both others",
        "",
    ),
}

STOP = {
    "handled": Words(
        "a pause, a change or a handled alert just before",
        pl.col("handled"),
        "is",
        "yes",
        "",
        "clamp.stop_within",
    ),
    "leaked_before": Words(
        "median leak just before",
        pl.col("leak_before"),
        ">",
        pl.col("leak_least_ml_min"),
        "mL/min",
        "occlusion.leak_before, occlusion.leak_most",
    ),
    "stops_together": Words(
        "what stopped with the leak",
        _yes("breath_stops_with_leak", "pressure_stops_with_leak"),
        "either of",
        "breath in traces, pressure",
        "",
        "flow_stopped.sudden_within, clamp.stop_within",
    ),
    "breath_seen_to_stop": Words(
        "running minutes from last breath to first absence",
        pl.col("stop_runs"),
        "at most",
        figure="flow_stopped.sudden_within",
    ),
}

RETURN = {
    "leak_returns": Words(
        "median leak when it comes back", pl.col("leak_after"), ">", figure="occlusion.leak_most"
    ),
    "returns_together": Words(
        "what returned with the leak",
        _yes("breath_returns_with_leak", "pressure_returns_with_leak"),
        "either of",
        "breath in traces, pressure",
        "",
        "flow_stopped.sudden_within, clamp.stop_within",
    ),
    "in_time": Words(
        "minutes until the last without a leak",
        pl.col("end_row") + 1 - pl.col("from_row"),
        "at most",
        figure="clamp.return_within",
    ),
    "return_dated": Words(
        "minutes from that one until the leak is back",
        pl.col("return_row") - pl.col("end_row"),
        "at most",
        figure="flow_stopped.sudden_within",
    ),
    "not_returned": Words(
        "leak and breath came back together in time",
        pl.when(pl.col("kind") == PeriodKind.CLAMPED.value).then(pl.lit("yes")).otherwise(pl.lit("no")),
        "is",
        "no",
        "",
    ),
}

DRY = {
    "handled_then": Words(
        "a hand on the drain between breath and absence",
        pl.col("handled_row").is_not_null(),
        "is",
        "yes",
        "",
    ),
    "no_leak": Words(
        "most leak while breath was away", pl.col("leak_most"), "at most", figure="occlusion.leak_most"
    ),
    "unbroken": Words("holes and clock steps inside", pl.col("breaks_inside"), "is", "0", ""),
    "stop_dated": Words(
        "running minutes from last breath to first absence",
        pl.col("stop_runs"),
        "at most",
        figure="flow_stopped.sudden_within",
    ),
    "return_dated": Words(
        "running minutes from last absence to breath again",
        pl.col("return_runs"),
        "at most",
        figure="flow_stopped.sudden_within",
    ),
    "in_time": Words(
        "minutes that breath was away, as well as they are dated",
        pl.col("away_minutes"),
        "at most",
        figure="clamp.return_within",
    ),
}

STILLNESS = {
    "leaked_before": Words(
        "median leak just before", pl.col("leak_before"), ">", figure="occlusion.leak_before"
    ),
    "leak_lasted": Words(
        "share of the hour's leak still there just before",
        (pl.col("leak_before") / pl.col("leak_earlier")).round(2),
        "at least",
        figure="flow_stopped.leak_kept",
    ),
    "moved_before": Words(
        "median max − min just before",
        pl.col("range_before"),
        "at least",
        pl.col("moved_least_cmh2o"),
        "cm[H2O]",
        "trace.least_swing",
    ),
    "may_have_breathed": Words(
        "minutes with breathing absent through an open tube since it was last seen",
        pl.col("absent_minutes_before"),
        "<",
        figure="occlusion.breathed_least",
    ),
    "goes_still": Words(
        "median max − min just after",
        pl.col("range_after"),
        "<",
        pl.col("absent_below_cmh2o"),
        "cm[H2O]",
        "trace.least_swing",
    ),
}

OFF = {
    "not_clamped": _no("clamped"),
    "observed": Words("the log has the minute", pl.col("observed"), "is", "yes", ""),
    "unexplained": Words("a suspected occlusion explains it", pl.col("stop_explained"), "is", "no", ""),
}
