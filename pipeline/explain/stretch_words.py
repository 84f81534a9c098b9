"""Words for the clauses of whole stretches: suspected occlusion, clamped line, stopped flow."""

from __future__ import annotations

import polars as pl

from pipeline.definitions import Definitions
from pipeline.explain.words import RUNNING, Words

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
        "breathed_before": Words(
            "breathing last seen before it, with no hole or clock step between",
            pl.col("from_row") - pl.col("last_breath"),
            "at most",
            figure="occlusion.look_back",
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
            "swing in the hours before, just before, most that can be hidden after; running minutes between",
            _listed("{}, {}, {}; {} min", "earlier_swing", "swing_before", "swing_after", "onset_minutes"),
            "not faded",
            f"(at least {o.swing_kept:g} of it kept), fell to at most {o.swing_left:g} of it, "
            f"within {o.onset_unresolved:g} min",
            "",
            "occlusion.swing_kept, occlusion.swing_left, occlusion.onset_unresolved, occlusion.onset_within",
        ),
        "output_fell": Words(
            "output since, as read, of what was to be expected",
            _listed("{} of {} mL", "output_ml", "expected_read_ml"),
            "at most",
            f"{o.output_share:g} of it, where at least {o.output_expected:g} mL was to be expected",
            "",
            "occlusion.output_share, occlusion.output_expected",
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
            "the stop can be dated, or flow was seen to stop",
            _yes("onset_dated", "flow_seen_to_stop"),
            "either of",
            "the two",
            "",
            "occlusion.traces_apart, occlusion.onset_within",
        ),
        "no_forgotten_clamp": Words(
            "what tells it from a forgotten clamp",
            pl.when(pl.col("handled_then").fill_null(False))
            .then(_yes("onset_dated", "outlasts_a_clamp"))
            .otherwise(pl.lit("nobody had a hand on it")),
            "any of",
            f"no hand on it, a dated onset, absence for {d.clamp.return_within:g} min",
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
        "a pause, change or handled alert just before",
        pl.col("handled"),
        "is",
        "yes",
        "",
        "clamp.stop_within",
    ),
    "leaked_before": Words(
        "median leak just before", pl.col("leak_before"), ">", figure="occlusion.leak_before"
    ),
    "onset_dated": Words(
        "running minutes from last breath to first absence",
        pl.col("stop_runs"),
        "at most",
        figure="flow_stopped.sudden_within",
    ),
    "breath_stops_with_leak": Words(
        "absence of breath first seen, minutes after the leak stopped",
        pl.col("absence") - pl.col("start_row"),
        "inside the stop, not before minus",
        figure="clamp.stop_within",
    ),
}

RETURN = {
    "leak_returns": Words(
        "median leak when it comes back", pl.col("leak_after"), ">", figure="occlusion.leak_before"
    ),
    "breath_returns_with_leak": Words(
        "running minutes from last absence to breath again",
        pl.col("return_runs"),
        "at most",
        figure="flow_stopped.sudden_within",
    ),
    "in_time": Words(
        "minutes until the leak is back",
        pl.col("return_row") - pl.col("start_row"),
        "at most",
        figure="clamp.return_within",
    ),
    "not_returned": Words(
        "came back together in time",
        _yes("leak_returns", "breath_returns_with_leak", "in_time"),
        "is not",
        "all three",
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
    "no_leak": Words("most leak around it", pl.col("leak_most"), "at most", figure="occlusion.leak_most"),
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
        "minutes until breath is seen again",
        pl.col("breath_again") - pl.col("row"),
        "at most",
        figure="clamp.return_within",
    ),
}

STILLNESS = {
    "leaked_before": Words(
        "median leak just before", pl.col("leak_before"), ">", figure="occlusion.leak_before"
    ),
    "moved_before": Words(
        "median max − min just before", pl.col("range_before"), "at least", figure="trace.least_swing"
    ),
    "goes_still": Words(
        "median max − min just after", pl.col("range_after"), "at most", figure="envelope.floor"
    ),
}

OFF = {
    "not_clamped": _no("clamped"),
    "observed": Words("the log has the minute", pl.col("observed"), "is", "yes", ""),
    "not_suspected": _no("occlusion_suspected"),
}
