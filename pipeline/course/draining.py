"""Fluid that goes on: what shows an open tube where neither air nor breath does."""

from __future__ import annotations

import polars as pl

from pipeline.course.grid import at, decimal, over_windows
from pipeline.definitions import OcclusionRules


def fluid_goes_on(grid: pl.DataFrame, stops: pl.DataFrame, flow: OcclusionRules) -> pl.DataFrame:
    """
    Find the minute by which fluid was read to come on since a stop of air or breath.

    In one canister, within `flow.look_back` and since the stop, at least `flow.release_output` was read to
    come, and at least `flow.output_goes_on` of what the rate before the stop (by the readings of
    `flow.look_back`, where they are `flow.rate_least` apart) would have brought. A blocked tube may let
    through a dribble, and a reading jitters.

    Parameters
    ----------
    stops
        `window`, `from_row`, `to_row`.

    Returns
    -------
    `window`, `drains_row`: the first minute by which that much was read to come, and `missing_row`: the last
    one before at which at most `flow.output_share` of what was to be expected had come, and that was at
    least `flow.output_expected`; null where there is none. Stops without are left out.
    """
    read_ml, read_row = pl.col("output_ml").filter("volume_read"), pl.col("row").filter("volume_read")
    before = over_windows(
        grid,
        stops.select(
            "window",
            from_row=pl.max_horizontal(
                pl.col("from_row") - flow.look_back, at(grid, "span_first_row", stops["from_row"])
            ),
            to_row=pl.col("from_row") - 1,
        ),
        ml_before=decimal(read_ml.last() - read_ml.first()),
        minutes_before=read_row.last() - read_row.first(),
    )
    readings = (
        stops.lazy()
        .select("window", row=pl.int_ranges("from_row", pl.col("to_row") + 1))
        .explode("row")
        .join(
            grid.lazy().filter("volume_read").select("row", "output_ml", "canister_no"),
            on="row",
            maintain_order="left",
        )
    )
    # The oldest reading of the look-back: output never falls, so it is the least of them.
    since = {
        name: pl.col(name)
        .rolling_min_by("row", window_size=f"{flow.look_back}i")
        .over("window", "canister_no")
        for name in ("output_ml", "row")
    }
    came = (
        readings.with_columns(
            came_ml=decimal(pl.col("output_ml") - since["output_ml"]), minutes=pl.col("row") - since["row"]
        )
        .join(before.lazy(), on="window", maintain_order="left")
        .collect()
        .lazy()
    )
    expected = (
        pl.when(pl.col("minutes_before") >= flow.rate_least)
        .then(pl.col("ml_before") * pl.col("minutes") / pl.col("minutes_before"))
        .fill_null(0)
    )
    drains = (
        came.filter(
            pl.col("came_ml") >= flow.release_output,
            pl.col("came_ml") >= decimal(flow.output_goes_on * expected),
        )
        .group_by("window", maintain_order=True)
        .agg(drains_row=pl.col("row").min())
    )
    missing = came.join(drains, on="window", maintain_order="left").filter(
        pl.col("row") < pl.col("drains_row"),
        pl.col("came_ml") <= decimal(flow.output_share * expected),
        expected >= flow.output_expected,
    )
    last = missing.group_by("window", maintain_order=True).agg(missing_row=pl.col("row").max())
    return drains.join(last, on="window", how="left", maintain_order="left").collect()
