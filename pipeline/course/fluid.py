"""Fluid: what the patient has put out since the use began, from canister readings."""

from __future__ import annotations

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.course.canister import find_canisters
from pipeline.definitions import FluidRules, ResolutionRules


def reconstruct_output(
    grid: pl.DataFrame, uses: pl.DataFrame, rules: FluidRules, resolution: ResolutionRules
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """
    Turn canister readings into the fluid put out since the use began.

    A canister reading falls to near zero when staff fit a new one, dips while the device is tilted and
    jitters by a few mL. Readings that cannot be trusted are set aside; the rest are split at canister
    changes (`find_canisters`) and fitted, canister by canister, with the closest non-decreasing curve
    (isotonic regression, Best & Chakravarti 1990, as in SciPy). What was in the first canister before
    the log began is not counted, unless the log shows the use begin and the canister at most
    `first_empty` full; every later canister starts from 0, so of a change inside a hole the last
    reading of the old and the first of the new count. The fit uses a canister's later readings too: it
    says what came, not what somebody saw at that minute.

    Parameters
    ----------
    grid
        Needs `row`, `use_no`, `use_id`, `minute`, `canister_volume_ml`, `volume_trusted`, `paused`.
    uses
        `use_id`, `begins_with_check`.

    Returns
    -------
    The grid with `volume_read` (an accepted reading), `output_ml` (never falling; null before the
    first accepted reading, the last value where unread) and `canister_no`; and the canisters of all
    uses, USE_CANISTER columns.
    """
    readings = find_canisters(grid, rules)
    canisters = readings.group_by("use_no", "canister_no", maintain_order=True).agg(
        first_row=pl.col("row").first(),
        last_row=pl.col("row").last(),
        first_ml=pl.col("volume_ml").first(),
        readings=pl.len(),
    )
    canisters = canisters.with_columns(use_id=grid["use_id"].gather(canisters["first_row"])).join(
        uses.select("use_id", "begins_with_check"), on="use_id", how="left", maintain_order="left"
    )
    fitted = _fit(readings["volume_ml"].to_numpy(), canisters["readings"].to_numpy())
    # Whole multiples of the resolution from here on: sums are exact and the order of adding is nothing.
    per_ml = 1 / resolution.volume
    steps = pl.Series("steps", np.rint(fitted * per_ml).astype(np.int64))
    starts_empty = (pl.col("canister_no") > 1) | (
        pl.col("begins_with_check").fill_null(False) & (pl.col("first_ml") <= rules.first_empty)
    )
    last = canisters["readings"].cast(pl.Int64).cum_sum() - 1
    canisters = (
        canisters.with_columns(
            first_steps=steps.gather(last - canisters["readings"].cast(pl.Int64) + 1),
            last_steps=steps.gather(last),
        )
        .with_columns(base=pl.when(starts_empty).then(0).otherwise("first_steps"))
        .with_columns(went_in=pl.col("last_steps") - pl.col("base"))
        .with_columns(before=(pl.col("went_in").cum_sum() - pl.col("went_in")).over("use_no"))
    )
    offset = (canisters["before"] - canisters["base"]).gather(
        np.repeat(np.arange(canisters.height), canisters["readings"].to_numpy())
    )
    outputs = readings.select(
        "row",
        volume_read=pl.lit(True),
        output_ml=_in_ml(steps + offset, per_ml),
        canister_no=pl.col("canister_no").cast(pl.Int32),
    )
    filled = (
        grid.join(outputs, on="row", how="left", maintain_order="left")
        .with_columns(pl.col("volume_read").fill_null(False))
        .with_columns(pl.col("output_ml", "canister_no").forward_fill().over("use_no"))
    )
    return filled, _canister_table(grid, canisters, per_ml)


def _fit(volumes: NDArray[np.float64], lengths: NDArray[np.uint32]) -> NDArray[np.float64]:
    """Isotonic fit of each canister's readings; SciPy fits one series at a time, canisters are few."""
    from scipy.optimize import isotonic_regression  # slow to import, and a load may have nothing to fit

    ends = np.cumsum(lengths, dtype=np.int64)
    fits = [
        isotonic_regression(volumes[end - length : end]).x
        for end, length in zip(ends, lengths.astype(np.int64), strict=True)
    ]
    return np.concatenate(fits) if fits else np.empty(0)


def _in_ml(steps: pl.Series, per_ml: float) -> pl.Series:
    """
    Whole steps as mL, each the nearest number to its decimal.

    Divided by NumPy: Polars multiplies a column by the reciprocal but divides a column of one row, so
    that the last digit would depend on what else is in the batch.
    """
    return pl.Series(steps.name, steps.to_numpy() / per_ml)


def _canister_table(grid: pl.DataFrame, canisters: pl.DataFrame, per_ml: float) -> pl.DataFrame:
    use_rows = grid.group_by("use_no", maintain_order=True).agg(
        pl.col("site", "device").first(), begun_row=pl.col("row").first()
    )
    # A use's first canister was in place when its log began, whenever it was first read.
    fitted_row = pl.when(pl.col("canister_no") == 1).then("begun_row").otherwise("first_row")
    rows = canisters.join(use_rows, on="use_no", how="left", maintain_order="left").with_columns(
        fitted_row=fitted_row
    )
    return rows.with_columns(fitted_at=grid["minute"].gather(rows["fitted_row"])).with_columns(
        removed_at=pl.col("fitted_at").shift(-1).over("use_no"),
        unread_minutes=(pl.col("first_row").shift(-1).over("use_no").cast(pl.Int64) - pl.col("last_row") - 1),
        volume_ml=_in_ml(rows["went_in"], per_ml),
    )
