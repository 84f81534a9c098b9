"""Operations: the drains of one patient, side and day of origin, counted once."""

from __future__ import annotations

import polars as pl

from schemas.published import COUNTED_OUTCOME, OPERATION
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
    leak = pl.col("leak_hours")
    found = _together(
        drain.filter(pl.col("operation_id").is_not_null()),
        ["operation_id"],
        leak_hours=pl.when(leak.is_not_null().all()).then(leak.max()),
        origin_at=pl.col("origin_at").min(),
    )
    return OPERATION.conform(found).sort("operation_id")


def counted_outcomes(drain: pl.DataFrame, drain_outcome: pl.DataFrame) -> pl.DataFrame:
    """
    What rates count, by definition of a prolonged leak (COUNTED_OUTCOME).

    Operations where patients are known, drains where they are not; joined as in `operations`. The threshold
    is the latest of the drains'.

    Parameters
    ----------
    drain, drain_outcome
        DRAIN and DRAIN_OUTCOME.
    """
    told = drain.drop("prolonged_leak", "prolonged_leak_reason").join(
        drain_outcome.select(
            "drain_id", "definition", "moved", "threshold_at", "prolonged_leak", "prolonged_leak_reason"
        ),
        on="drain_id",
    )
    found = _together(
        told.with_columns(counted_id=pl.coalesce("operation_id", "drain_id")),
        ["definition", "counted_id"],
        moved=pl.col("moved").first(),
        threshold_at=pl.col("threshold_at").max(),
    )
    return COUNTED_OUTCOME.conform(found).sort(COUNTED_OUTCOME.key)


def _together(drain: pl.DataFrame, by: list[str], **more: pl.Expr) -> pl.DataFrame:
    """The drains of one key as one row: where and what it was, and its verdict."""
    yes, no = (pl.col("prolonged_leak") == word.value for word in (ProlongedLeak.YES, ProlongedLeak.NO))
    reason = pl.col("prolonged_leak_reason")
    # Drop nulls only, so that an unknown without reason cannot arise: every unknown has one.
    unknown_reason = reason.filter(~yes & ~no).first()
    presumed = (reason == OutcomeReason.REMOVAL_PRESUMED.value).fill_null(False).any()
    return (
        drain.sort(*by, "tube_in_at", "drain_id", nulls_last=True)
        .group_by(by, maintain_order=True)
        .agg(
            pl.col("site").first(),
            pl.col("unit").first(),
            pl.col("procedure").drop_nulls().first(),
            pl.col("side").first(),
            pl.col("origin_day").min(),
            drains=pl.len().cast(pl.Int32),
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
            **more,
        )
    )
