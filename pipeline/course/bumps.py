"""Readings that leap away and back: jolts of the canister, and leans that the log does not tell."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import polars as pl

from pipeline.course.grid import decimal, over_windows
from pipeline.definitions import FluidRules

_CANISTER = "canister_run"


def set_aside_bumps(readings: pl.DataFrame, rules: FluidRules) -> pl.DataFrame:
    """
    Leave out readings of a canister that are no fluid, for fluid neither leaps nor goes back.

    - A lean that no angle tells: a leap by `change_least`, as far away from the level before it (the median
      of the `change_stays` readings up to it), taken back by an opposite leap within `lean_most` minutes.
      Taken back means, for the reading and for the median of the `change_stays` readings from it on, not
      below that level by more than `change_pause`, and after a leap up at most half as far above it. The
      readings between the two are set aside. The level before the first leap is believed: of two leans, not
      what lies between them is left out.
    - A canister that is being moved: `restless_falls` falls by `change_pause`, each from one reading to the
      next and within `change_stays` minutes, at most `restless_within` readings away on either side. Jitter
      is less.
    - A bump: readings that leap out and back by `change_least` within `change_stays` readings; and a leap in
      a canister's very last reading, which nothing confirms.

    A leap up is one where it is by `change_least` for every minute since the reading before: more than flows.

    Parameters
    ----------
    readings
        In order: `row`, `use_no`, `canister_no`, `volume_ml`.
    """
    readings = readings.with_columns(
        pl.struct("use_no", "canister_no").rle_id().set_sorted().alias(_CANISTER)
    )
    change = pl.col("volume_ml").diff().over(_CANISTER)
    leap, fall = change.abs() >= rules.change_least, change <= -rules.change_pause
    leaps, falls = readings.select(leap=leap.any(), fall=fall.any()).row(0)
    kept = readings
    # Each is told from all readings: a bump at the beginning of a lean is seen by what it falls back to.
    if leaps:
        steady = _without_bumps(readings, rules).select("row")
        kept = _without_leans(readings, rules).join(steady, on="row", how="semi", maintain_order="left")
    if falls:
        moved = readings.filter(_restless(rules)).select("row")
        kept = kept.join(moved, on="row", how="anti", maintain_order="left")
    return kept


def _restless(rules: FluidRules) -> pl.Expr:
    change, minutes = (pl.col(name).diff().over(_CANISTER) for name in ("volume_ml", "row"))
    falls = (
        ((change <= -rules.change_pause) & (minutes <= rules.change_stays)).fill_null(False).cast(pl.Int32)
    )
    near = falls.rolling_sum(2 * rules.restless_within + 1, min_samples=1, center=True).over(_CANISTER)
    return near >= rules.restless_falls


def _without_leans(readings: pl.DataFrame, rules: FluidRules) -> pl.DataFrame:
    volume = pl.col("volume_ml")
    rise, minutes = (pl.col(name).diff().over(_CANISTER) for name in ("volume_ml", "row"))
    reading, stays = pl.col("reading"), rules.change_stays
    leaps = (
        readings.with_columns(
            rise=rise,
            up=rise >= rules.change_least * minutes,
            down=rise <= -rules.change_least,
            reading=pl.int_range(pl.len()),
        )
        .with_columns(
            first_reading=reading.first().over(_CANISTER), last_reading=reading.last().over(_CANISTER)
        )
        .filter(pl.col("up") | pl.col("down"))
    )
    until = leaps.select(
        window="reading",
        from_row=pl.max_horizontal(reading - stays, "first_reading"),
        to_row=reading - 1,
    )
    onward = leaps.select(
        window="reading",
        from_row=reading,
        to_row=pl.min_horizontal(reading + stays - 1, "last_reading"),
    )
    leaps = leaps.with_columns(
        over_windows(readings, until, before_ml=volume.median())["before_ml"],
        over_windows(readings, onward, after_ml=volume.median())["after_ml"],
    )
    before, away = pl.col("before_ml"), decimal(volume - pl.col("before_ml"))
    most = pl.when("up").then(decimal(before + pl.col("rise") / 2)).otherwise(pl.lit(float("inf")))
    begins = pl.when("up").then(away >= rules.change_least).otherwise(away <= -rules.change_least)
    leaps = leaps.with_columns(
        begins=begins.fill_null(False),
        least_ml=decimal(before - rules.change_pause),
        most_ml=most,
        place=pl.col(_CANISTER),
    )
    leaning = np.zeros(readings.height, dtype=np.bool_)
    for begin, end in _taken_back(leaps, rules):
        leaning[begin:end] = True
    return readings.filter(~pl.Series(leaning))


def _taken_back(leaps: pl.DataFrame, rules: FluidRules) -> Iterator[tuple[int, int]]:
    """Each leap that begins a lean, and the one that ends it: numbers of readings, one lean after another."""
    reading, row, place, up, ml, level, least, most = (
        leaps[name].to_numpy()
        for name in ("reading", "row", "place", "up", "volume_ml", "after_ml", "least_ml", "most_ml")
    )
    until = np.minimum(
        np.searchsorted(row, row + rules.lean_most, side="right"), np.searchsorted(place, place, side="right")
    )
    upright_from = 0
    for leap in np.flatnonzero(leaps["begins"].to_numpy()):
        if reading[leap] < upright_from:
            continue
        later = slice(leap + 1, until[leap])
        lowest, highest = np.minimum(ml[later], level[later]), np.maximum(ml[later], level[later])
        ends = (up[later] != up[leap]) & (lowest >= least[leap]) & (highest <= most[leap])
        if ends.any():
            end = int(reading[leap + 1 + ends.argmax()])
            yield int(reading[leap]), end
            upright_from = end + 1


def _without_bumps(readings: pl.DataFrame, rules: FluidRules) -> pl.DataFrame:
    reach = rules.change_stays
    volume = pl.col("volume_ml")
    middle = volume.rolling_median(2 * reach + 1, min_samples=1, center=True)
    after = volume.reverse().rolling_min(reach, min_samples=1).shift(1).reverse()
    before = volume.rolling_max(reach, min_samples=1).shift(1)
    up = (volume >= middle + rules.change_least) & (after <= volume - rules.change_least)
    since = pl.col("row") - pl.col("row").shift(1)
    last_leaps = after.is_null() & (volume - volume.shift(1) >= rules.change_least * since)
    down = (volume <= middle - rules.change_least) & (before >= volume + rules.change_least)
    leaps = (volume - volume.shift(1)).abs().over(_CANISTER) >= rules.change_least
    bumpy = readings.filter(leaps.any().over(_CANISTER))
    if bumpy.is_empty():
        return readings
    set_aside = (up | last_leaps).fill_null(False) | down.fill_null(False)
    bumps = bumpy.filter(set_aside.over(_CANISTER))
    return readings.join(bumps.select("row"), on="row", how="anti", maintain_order="left")
