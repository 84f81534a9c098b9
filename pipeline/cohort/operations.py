"""Operations: the drains of one patient, side and day of origin, counted once."""

from __future__ import annotations

import polars as pl

from schemas.published import OPERATION
from schemas.vocabulary import OutcomeReason, ProlongedLeak


def operations(drain: pl.DataFrame) -> pl.DataFrame:
    """
    One row an operation (OPERATION): two drains of one operation are not two patients.

    Its leak was prolonged if any of its drains says yes, not prolonged if all say no, else unknown; the
    reason is that of its first unknown drain, or `removal_presumed` where a no rests on one. Its leak
    lasted as long as the longest of its drains'; null where one of them is unknown. Unit and procedure
    are those of the drain that went in first. Drains without a registry row belong to no known patient
    and make no operation.

    Parameters
    ----------
    drain
        DRAIN.
    """
    yes, no = (pl.col("prolonged_leak") == word.value for word in (ProlongedLeak.YES, ProlongedLeak.NO))
    reason = pl.col("prolonged_leak_reason")
    # Drop nulls only, so that an unknown without reason cannot arise: every unknown has one.
    unknown_reason = reason.filter(~yes & ~no).first()
    presumed = (reason == OutcomeReason.REMOVAL_PRESUMED.value).fill_null(False).any()
    found = (
        drain.filter(pl.col("operation_id").is_not_null())
        .sort("operation_id", "tube_in_at", "drain_id", nulls_last=True)
        .group_by("operation_id", maintain_order=True)
        .agg(
            pl.col("site").first(),
            pl.col("unit").first(),
            pl.col("procedure").drop_nulls().first(),
            pl.col("side").first(),
            pl.col("origin_at").min(),
            pl.col("origin_day").min(),
            drains=pl.len().cast(pl.Int32),
            leak_hours=pl.when(pl.col("leak_hours").is_not_null().all()).then(pl.col("leak_hours").max()),
            prolonged_leak=pl.when(yes.any())
            .then(pl.lit(ProlongedLeak.YES.value))
            .when(no.all())
            .then(pl.lit(ProlongedLeak.NO.value))
            .otherwise(pl.lit(ProlongedLeak.UNKNOWN.value)),
            prolonged_leak_reason=pl.when(yes.any())
            .then(None)
            .when(no.all())
            .then(pl.when(presumed).then(pl.lit(OutcomeReason.REMOVAL_PRESUMED.value)))
            .otherwise(unknown_reason),
        )
    )
    return OPERATION.conform(found).sort("operation_id")
