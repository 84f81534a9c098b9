"""Whether a tube came out of the patient, or the patient went with it."""

from __future__ import annotations

import polars as pl

from schemas.vocabulary import RemovalReason

_WENT_WITH_IT = (
    RemovalReason.DIED.value,
    RemovalReason.TRANSFERRED_WITH_DRAIN.value,
    RemovalReason.DISCHARGED_WITH_DRAIN.value,
    RemovalReason.REPLACED.value,
)


def came_out() -> pl.Expr:
    """
    Whether the tube is known to have come out, of `tube_out_at` and `removal_reason`; never null.

    As the macro of that name in the published database: not where the patient died or left with the drain
    in, nor where another took its place.

    Examples
    --------
    >>> drains = pl.DataFrame({"tube_out_at": [1, 1, None], "removal_reason": [None, "died", "planned"]})
    >>> drains.select(came_out()).to_series().to_list()
    [True, False, False]
    """
    went = pl.col("removal_reason").is_in(_WENT_WITH_IT).fill_null(False)
    return (pl.col("tube_out_at").is_not_null() & ~went).alias("came_out")
