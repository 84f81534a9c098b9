"""What a registry file says against itself, told by line and without a value."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime

import polars as pl

NO_CONTRADICTION = pl.DataFrame(schema={"line": pl.Int32, "finding": pl.String, "detail": pl.String})


def contradictions(rows: pl.DataFrame) -> pl.DataFrame:
    """
    What a registry's rows say against themselves: `line`, `finding`, `detail`.

    The findings are those that data_quality has of them after a load. What the logs say against a row, and
    rows of several files against each other, only a load can tell.

    Parameters
    ----------
    rows
        REGISTRY_DRAIN with `line`.
    """
    into, out, done = pl.col("tube_in_at"), pl.col("tube_out_at"), pl.col("procedure_end_at")
    told = (
        (out < into, "tube_out_before_in", "tube_out_at lies before tube_in_at and is taken as not recorded"),
        (
            (done > out) & (out >= into),
            "procedure_end_after_out",
            "procedure_end_at lies after tube_out_at and is taken as not recorded",
        ),
    )
    found = [
        rows.filter(wrong).select("line", finding=pl.lit(finding), detail=pl.lit(detail))
        for wrong, finding, detail in told
    ]
    return pl.concat([NO_CONTRADICTION, *found, _claimed_twice(rows)]).sort("line", "finding", "detail")


def _claimed_twice(rows: pl.DataFrame) -> pl.DataFrame:
    """
    A use that two rows name for times that overlap, and not as a Y-connector of one patient and side.

    Told at the later line. Uses claimed by device only show once logs are there.
    """
    far = pl.lit(datetime.max.replace(tzinfo=UTC))
    out = pl.when(pl.col("tube_out_at") >= pl.col("tube_in_at")).then("tube_out_at")
    named = (
        rows.select(
            "line",
            "site",
            "drain_key",
            "patient_key",
            "side",
            "tube_in_at",
            out_at=pl.coalesce(out, far.cast(rows.schema["tube_out_at"])),
            use="uses",
        )
        .explode("use")
        .drop_nulls("use")
    )
    pairs = named.join(named, on=["site", "use"], suffix="_other").filter(
        pl.col("line") > pl.col("line_other"), pl.col("drain_key") != pl.col("drain_key_other")
    )
    overlap = (pl.col("tube_in_at") < pl.col("out_at_other")) & (
        pl.col("tube_in_at_other") < pl.col("out_at")
    )
    one_side = (
        pl.col("side").is_null() | pl.col("side_other").is_null() | (pl.col("side") == pl.col("side_other"))
    )
    shared = (pl.col("patient_key") == pl.col("patient_key_other")) & one_side
    return (
        pairs.filter(overlap & ~shared)
        .select(
            "line",
            finding=pl.lit("use_claimed_twice"),
            detail=pl.format(
                "names a device use as line {} does, for times that overlap and another patient or side",
                "line_other",
            ),
        )
        .unique()
        .select(NO_CONTRADICTION.columns)
    )


def repeats(kept: pl.DataFrame, named: Mapping[str, str]) -> list[str]:
    """
    Of rows whose key comes again: which line stands, and in which columns they differ; no values.

    Parameters
    ----------
    named
        Column of REGISTRY_DRAIN → its name in the file.
    """
    columns = [name for name in kept.columns if name not in ("line", "site", "drain_key")]
    last = kept.sort("line").unique(["site", "drain_key"], keep="last", maintain_order=True)
    pairs = kept.join(last, on=["site", "drain_key"], suffix="_last").filter(
        pl.col("line") != pl.col("line_last")
    )
    differ = [pl.when(pl.col(c).ne_missing(pl.col(f"{c}_last"))).then(pl.lit(c)) for c in columns]
    told = pairs.sort("line").select(
        "line", "line_last", columns=pl.concat_list(differ).list.drop_nulls().list.join(", ")
    )
    found = []
    for line, stands, which in told.iter_rows():
        how = ", ".join(named.get(name, name) for name in which.split(", ")) if which else ""
        found.append(
            f"line {line} has the key of line {stands}, which was kept; "
            + (f"they differ in {how}" if how else "they are the same")
        )
    return found
