"""Canister changes: when a falling reading is a new canister, and when it is tilt or noise."""

from __future__ import annotations

import numpy as np
import polars as pl

from pipeline.course.bumps import set_aside_bumps
from pipeline.course.grid import decimal
from pipeline.definitions import FluidRules


def find_canisters(grid: pl.DataFrame, rules: FluidRules) -> pl.DataFrame:
    """
    Number the canisters of each use by what its trusted readings do.

    A reading begins a new canister where it lies below the level before it (the median of the last
    reading before and those in the `change_stays` minutes up to it) by the greater of `change_least` and
    `change_share`; beside a pause a fall of `change_pause` to at most `change_empty` is enough; and
    after an unread stretch of `change_unseen` minutes or more, into which the new canister has had time
    to fill, the greater of `change_least` and `change_unseen_share`. In each case it must stay down: the
    median of the `change_stays` minutes from there on, and the first reading after them, must lie as
    low; after an unread stretch, below the old level by `change_least`, for the new canister may be
    filling fast; or, where it fills faster than that, its readings (most of the `change_stays` minutes
    have one) must rise without a leap of `change_least`: a lean that ends leaps. Levels are taken over
    minutes and not over readings, of which some logs have one an hour. A fall that recovers is no change;
    neither is one that the log's end leaves open, but for a canister emptied beside a pause, which is a
    change as soon as it is seen.

    Readings of a canister that leap away and back are no fluid, and are set aside (`set_aside_bumps`).

    Parameters
    ----------
    grid
        Needs `row`, `use_no`, `canister_volume_ml`, `volume_trusted`, `paused`.

    Returns
    -------
    The accepted readings in order: `row`, `use_no`, `volume_ml`, `canister_no` (from 1).
    """
    beside = (
        pl.col("paused").cast(pl.UInt8).rolling_max(2 * rules.change_beside + 1, min_samples=1, center=True)
    )
    readings = (
        grid.select(
            "row",
            "use_no",
            "volume_trusted",
            volume_ml=pl.col("canister_volume_ml"),
            beside_pause=beside.over("use_no") > 0,
        )
        .filter("volume_trusted")
        .drop("volume_trusted")
    )
    numbered = readings.with_columns(begins=_begins_canister(readings, rules)).with_columns(
        canister_no=1 + pl.col("begins").cast(pl.Int32).cum_sum().over("use_no")
    )
    return set_aside_bumps(numbered, rules).select("row", "use_no", "volume_ml", "canister_no")


def change_clauses(rules: FluidRules) -> dict[str, pl.Expr]:
    """
    How low a reading must be to begin a new canister, by clause, from `level_before_ml`,
    `beside_pause` and `unread_minutes`; null where the clause does not apply.
    """
    before = pl.col("level_before_ml")
    fall = pl.max_horizontal(pl.lit(rules.change_least), before * (rules.change_share / 100))
    unseen = pl.max_horizontal(pl.lit(rules.change_least), before * (rules.change_unseen_share / 100))
    emptied = pl.min_horizontal(pl.lit(rules.change_empty), decimal(before - rules.change_pause))
    return {
        "great_fall": decimal(before - fall),
        "emptied_beside_pause": pl.when("beside_pause").then(emptied),
        "lower_after_unread": pl.when(pl.col("unread_minutes") >= rules.change_unseen).then(
            decimal(before - unseen)
        ),
    }


def _begins_canister(readings: pl.DataFrame, rules: FluidRules) -> pl.Series:
    stays = rules.change_stays
    volume = pl.col("volume_ml")
    level = volume.rolling_median_by("row", window_size=f"{stays}i", min_samples=1)
    falls = (
        readings.with_columns(
            level_before_ml=level.over("use_no").shift(1).over("use_no"),
            unread_minutes=pl.col("row") - pl.col("row").shift(1).over("use_no") - 1,
        )
        .with_row_index("reading")
        .with_columns(
            great_fall=change_clauses(rules)["great_fall"],
            low=pl.max_horizontal(change_clauses(rules).values()),
            emptied=(volume <= change_clauses(rules)["emptied_beside_pause"]).fill_null(False),
        )
        .filter(volume <= pl.col("low"))
    )
    # Emptied beside a pause, the new canister may soon be fuller than `change_empty`; it still must not
    # come back to what was there before.
    only_emptied = pl.col("beside_pause") & (pl.col("low") <= rules.change_empty)
    # After a long unread stretch the new canister may be filling fast: it need not stay as low as it was
    # first seen, but well below the old one.
    by_unread = pl.col("great_fall") < volume
    stays_below = (
        pl.when(only_emptied)
        .then(pl.col("level_before_ml") - rules.change_pause)
        .when(by_unread)
        .then(pl.col("level_before_ml") - rules.change_least)
        .otherwise("low")
    )
    later = readings.select(later_row="row", later_use="use_no", later_ml="volume_ml")
    stayed = (
        falls.with_columns(stays_below=stays_below, by_unread=by_unread, due=pl.col("row") + stays)
        .join_asof(later, left_on="due", right_on="later_row", strategy="forward", check_sortedness=False)
        .with_columns(seen_later=(pl.col("later_use") == pl.col("use_no")).fill_null(False))
        .filter(pl.col("seen_later") | pl.col("emptied"))
        .with_columns(later_ml=pl.when("seen_later").then("later_ml"))
    )
    following = (
        stayed.select(
            "reading",
            "use_no",
            "stays_below",
            "by_unread",
            "later_ml",
            "due",
            other_row=pl.int_ranges("row", pl.col("due") + 1),
        )
        .explode("other_row")
        .join(
            later.rename({"later_ml": "other_ml"}),
            left_on=["use_no", "other_row"],
            right_on=["later_use", "later_row"],
            maintain_order="left",
        )
    )
    within = pl.col("other_row") < pl.col("due")
    rises = (pl.col("other_ml").diff().max() < rules.change_least) & (within.sum() > stays / 2)
    confirmed = (
        following.group_by("reading", maintain_order=True)
        .agg(
            pl.col("stays_below", "by_unread", "later_ml", "use_no").first(),
            level_after=pl.col("other_ml").filter(within).median(),
            rises=rises.fill_null(False),
            row=pl.col("other_row").min(),
        )
        .filter(
            (
                (pl.col("level_after") <= pl.col("stays_below"))
                & (pl.col("later_ml") <= pl.col("stays_below")).fill_null(True)
            )
            | (pl.col("by_unread") & pl.col("rises"))
        )
        .sort("reading")
        # The readings in the minutes just after a change still have the old canister before them.
        .filter((pl.col("row").diff().over("use_no") >= stays).fill_null(True))
    )
    begins = pl.Series("begins", np.zeros(readings.height, dtype=np.bool_))
    return begins.scatter(confirmed["reading"], True)
