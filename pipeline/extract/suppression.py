"""Small counts are not told, nor what would let them be reckoned back."""

from __future__ import annotations

import polars as pl


def suppressed(flow: pl.DataFrame, least: int) -> pl.DataFrame:
    """
    Hide the small counts of a flow before it leaves the house.

    Counts of drains left out from 1 to below `least` become null. The counts of a flow add up to all drains,
    so a single null could be reckoned back, and so could several whose sum is as small as they can be: the
    next smallest counts are hidden too until at least two are and together they come to `least` or more;
    where there are none left to hide, the number of all drains is hidden. The number included is that of
    the extract's rows and always told.

    Parameters
    ----------
    flow
        FLOW, exact.
    least
        Counts from this on may be told; 1 hides nothing.

    Examples
    --------
    >>> flow = pl.DataFrame({"step": [0, 1, 2, 3], "what": ["all", "outside", "outside", "included"],
    ...                      "drains": [40, 2, 9, 29]})
    >>> suppressed(flow, 5)["drains"].to_list()
    [40, None, None, 29]
    """
    out = pl.col("what").is_in(["outside", "unknown"])
    counts = flow.with_row_index("row").filter(out & (pl.col("drains") > 0)).sort("drains", "row")
    small = counts.filter(pl.col("drains") < least)
    if small.is_empty():
        return flow
    hidden, total = small["row"].to_list(), int(small["drains"].sum())
    for row, drains in counts.filter(pl.col("drains") >= least).select("row", "drains").iter_rows():
        if len(hidden) >= 2 and total >= least:
            break
        hidden.append(row)
        total += drains
    if len(hidden) < 2 or total < least:
        hidden.append(0)  # all drains of the ledger
    return (
        flow.with_row_index("row")
        .with_columns(drains=pl.when(~pl.col("row").is_in(hidden)).then("drains"))
        .drop("row")
    )
