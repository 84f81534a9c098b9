"""
Fluid, canisters and surges of simulated drains against the truth.

Every function takes a `Beside` (see `evaluate_fleets.py`) and yields `Figure`s.
"""

from __future__ import annotations

from collections.abc import Iterator

import polars as pl

from tests.evaluation.evaluate_figures import Figure, precision_and_recall
from tests.evaluation.evaluate_fleets import Beside


def fluid(beside: Beside) -> Iterator[Figure]:
    """The drain's output at the end of every hour, and that it never falls."""
    m = beside.minutes.filter(pl.col("drain_output_ml").is_not_null()).sort("stay", "true_minute")
    allowed = pl.max_horizontal(pl.lit(10.0), pl.col("true_output_ml") * 0.02)
    # What a canister took between its last reading and its change is in no log, whether the change is told.
    read_before = pl.when("volume_read").then("true_minute").forward_fill().shift(1).over("stay")
    changed = (pl.col("true_canister_no") > pl.col("true_canister_no").shift(1)) & (
        pl.col("stay") == pl.col("stay").shift(1)
    )
    unread_for = pl.col("true_minute") - read_before
    m = m.with_columns(unread_change=(changed & (unread_for > pl.duration(minutes=10))).fill_null(False))
    hours = (
        m.group_by("stay", hour=pl.col("true_minute").dt.truncate("1h"), maintain_order=True)
        .agg(
            pl.col("drain_output_ml", "true_output_ml").last(),
            read=pl.col("volume_read").any(),
            unread_change=pl.col("unread_change").any(),
        )
        .with_columns(pl.col("unread_change").cum_max().over("stay"))
        .with_columns(good=(pl.col("drain_output_ml") - pl.col("true_output_ml")).abs() <= allowed)
    )
    of = f"{hours.height} drain-hours"
    yield Figure("fluid: drain-hours within max(10 mL, 2 %)", hours["good"].mean(), of, 0.98)
    known = pl.col("drain_output_ml").is_not_null()
    untold = beside.minutes.filter(known.any().over("stay") & ~known.any().over("stay", "use_id")).select(
        "stay", pl.col("true_minute").dt.truncate("1h")
    )
    yield Figure("fluid: drain-hours in which the output is told unknown", float(untold.unique().height), of)
    read = hours.filter("read")
    yield Figure("fluid: the same, hours with a reading", read["good"].mean(), f"{read.height} drain-hours")
    whole = read.filter(~pl.col("unread_change"))
    yield Figure(
        "fluid: the same, no canister changed unread before",
        whole["good"].mean(),
        f"{whole.height} drain-hours",
    )
    late = beside.logged.filter(~pl.col("on_time"))["stay"].unique()
    timely = whole.filter(~pl.col("stay").is_in(late.implode()))
    yield Figure(
        "fluid: the same, every minute at its true time",
        timely["good"].mean(),
        f"{timely.height} drain-hours",
    )
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
