"""
Fluid, canisters and surges of simulated drains against the truth.

Every function takes a `Beside` (see `evaluate_fleets.py`) and yields `Figure`s.
"""

from __future__ import annotations

from collections.abc import Iterator

import polars as pl

from tests.evaluation.evaluate_figures import Figure, precision_and_recall
from tests.evaluation.evaluate_fleets import Beside

# A change within this many unread minutes is one that staff were seen to make.
CHANGED_UNSEEN = 10


def fluid(beside: Beside) -> Iterator[Figure]:
    """
    The drain's output in every hour, and that it never falls.

    Scored twice: at the end of each hour, whatever the ledger says of it, and as it is told. An hour with a
    reading is told at its last one; in one without, and after a canister was changed unread, the ledger says
    that the output is at least so much, and is held to that.
    """
    m = beside.minutes.filter(pl.col("drain_output_ml").is_not_null()).sort("stay", "true_minute")
    hours = _hours(m, beside.canisters)
    of = f"{hours.height} drain-hours"
    yield Figure("fluid: drain-hours within max(10 mL, 2 %)", hours["good"].mean(), of, 0.98)
    whole = hours.filter("read", ~pl.col("at_least"))
    for what, told, target in (
        ("fluid: the same, hours with a reading, at the last one", hours.filter("read"), 0.98),
        ("fluid: the same, not told as at least so much", whole, 0.98),
        ("fluid: the same, every minute at its true time", _timely(whole, beside), None),
    ):
        yield Figure(what, told["good_read"].mean(), f"{told.height} drain-hours", target)
    for what, told in (
        ("fluid: hours told unread, at least so much had come", hours.filter(~pl.col("read"))),
        ("fluid: hours told as at least so much, and it was", hours.filter("read", "at_least")),
    ):
        yield Figure(what, told["floor_holds"].mean(), f"{told.height} drain-hours")
    known = pl.col("drain_output_ml").is_not_null()
    untold = beside.minutes.filter(known.any().over("stay") & ~known.any().over("stay", "use_id")).select(
        "stay", pl.col("true_minute").dt.truncate("1h")
    )
    yield Figure("fluid: drain-hours in which the output is told unknown", float(untold.unique().height), of)
    drains = hours.group_by("stay").agg(pl.col("good").mean())
    yield Figure(
        "fluid: drains with 98 % of their hours within",
        (drains["good"] >= 0.98).mean(),
        f"{drains.height} drains",
    )
    falls = m.sort("stay", "use_id", "minute").select(
        (pl.col("drain_output_ml").diff() < 0).fill_null(False)
        & (pl.col("stay") == pl.col("stay").shift(1)).fill_null(False)
        & (pl.col("use_id") == pl.col("use_id").shift(1)).fill_null(False)
    )
    yield Figure("fluid: minutes at which the output falls", float(falls.to_series().sum()), of, at_most=0)
    # What is told beyond the truth, and never was before: catching up after tilt is no jump.
    beyond = (pl.col("drain_output_ml") - pl.col("true_output_ml")).cum_max().over("stay")
    wide = m.select(
        jump=beyond - beyond.shift(5).over("stay"),
        around=pl.col("true_tilted").cast(pl.Int8).rolling_max(11, min_samples=1).over("stay") > 0,
        sensed=pl.col("tilt_deg").is_not_null().any().over("stay"),
    )
    jumps = wide.filter("around", pl.col("jump") >= 20)
    yield Figure(
        "fluid: minutes of a jump of 20 mL made of tilt", float(jumps["sensed"].sum()), of, at_most=0
    )
    yield Figure("fluid: the same on devices that log no tilt", float((~jumps["sensed"]).sum()), of)


def _hours(m: pl.DataFrame, canisters: pl.DataFrame) -> pl.DataFrame:
    """
    One row an hour of a stay with fluid told: `good` at its end, `good_read` at its last reading, `floor_holds`.

    `read`: whether it has a reading. `at_least`: whether the ledger tells a canister changed unread by then.
    """
    unseen = canisters.filter(pl.col("unread_minutes") > CHANGED_UNSEEN)
    since = unseen.group_by("use_id").agg(unseen_from=pl.col("removed_at").min())
    told, true = pl.col("drain_output_ml"), pl.col("true_output_ml")
    off, allowed = told - true, pl.max_horizontal(pl.lit(10.0), true * 0.02)
    at_least = (pl.col("minute") >= pl.col("unseen_from")).fill_null(False)
    return (
        m.join(since, on="use_id", how="left", maintain_order="left")
        .with_columns(
            good=off.abs() <= allowed,
            not_above=off <= allowed,
            # Of a drain on two devices the second goes on from what the first is known to have held.
            at_least=at_least.cast(pl.Int8).cum_max().over("stay") > 0,
        )
        .group_by("stay", hour=pl.col("true_minute").dt.truncate("1h"), maintain_order=True)
        .agg(
            pl.col("good").last(),
            good_read=pl.col("good").filter("volume_read").last(),
            floor_holds=pl.col("not_above").all(),
            read=pl.col("volume_read").any(),
            at_least=pl.col("at_least").last(),
        )
    )


def _timely(hours: pl.DataFrame, beside: Beside) -> pl.DataFrame:
    """The hours of stays whose every logged minute is at its true time."""
    late = beside.logged.filter(~pl.col("on_time"))["stay"].unique()
    return hours.filter(~pl.col("stay").is_in(late.implode()))


def canisters(beside: Beside) -> Iterator[Figure]:
    """Canister changes found, missed and made up; a change inside an unread stretch may be told at its end."""
    m = beside.minutes.sort("use_id", "minute")
    same = (pl.col("use_id") == pl.col("use_id").shift(1)) & (pl.col("stay") == pl.col("stay").shift(1))
    marked = m.with_columns(
        read_before=pl.when("volume_read").then("true_minute").forward_fill().over("use_id").shift(1),
        true_change=(same & (pl.col("true_canister_no") > pl.col("true_canister_no").shift(1))).fill_null(
            False
        ),
        told_change=(same & (pl.col("canister_no") > pl.col("canister_no").shift(1))).fill_null(False),
        seen_before=pl.col("true_minute").shift(1),
    )
    told = marked.filter("told_change").select("use_id", "true_minute", "read_before").rows()
    true = marked.filter("true_change").select("use_id", "true_minute", "seen_before").rows()
    slack = pl.select(pl.duration(minutes=5)).item()
    hit = [
        any(u == use and before - slack <= at and earlier <= now + slack for u, now, before in told)
        for use, at, earlier in true
    ]
    real = [
        any(u == use and before - slack <= at and earlier <= now + slack for u, at, earlier in true)
        for use, now, before in told
    ]
    yield Figure("canister changes: found", sum(hit) / len(hit) if hit else None, f"{len(hit)} true", 0.98)
    yield Figure("canister changes: made up", float(len(real) - sum(real)), f"{len(told)} told", at_most=0)


def surges(beside: Beside) -> Iterator[Figure]:
    """More than 200 mL/h over two hours, on minutes whose volume is read."""
    # The window is of two hours, all of them logged: across a hole as many rows are more time.
    m = beside.minutes.sort("stay", "true_minute").with_columns(
        rise=pl.when(pl.col("true_minute").diff(120) == pl.duration(minutes=120))
        .then(pl.col("true_output_ml").diff(120))
        .over("stay")
    )
    known = m.filter("volume_read", pl.col("rise").is_not_null(), (pl.col("rise") - 400).abs() > 10)
    yield from precision_and_recall(known, pl.col("output_surge"), pl.col("rise") > 400, "output_surge", None)
