"""Which minutes of which device use belong to which drain: claims of the registry on the logs."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

import polars as pl

from pipeline.cohort.findings import findings_of
from pipeline.cohort.holding import held_of, joined
from pipeline.cohort.identity import identified
from pipeline.cohort.registry import standing

_DRAIN = ["site", "drain_key"]


@dataclass(frozen=True)
class Claims:
    """
    What the registry and the uses say together.

    `drains`: one row a drain: `drain_id`, `operation_id`, the REGISTRY_DRAIN columns but those of the
    file they came in (a new export of the same rows changes nothing; null where unlinked), `linked`,
    `shared_use`, `timezone` (of its first use, else of its site).
    `drain_use`: `drain_id`, `use_id`, `from_at`, `until_at`; of one drain never overlapping.
    `findings`: DATA_QUALITY rows of scope `registry`.
    """

    drains: pl.DataFrame
    drain_use: pl.DataFrame
    findings: pl.DataFrame

    def only(self, drain_ids: Iterable[str]) -> Claims:
        """The same claims for some drains only; findings are left as they are."""
        wanted = pl.Series("drain_id", sorted(set(drain_ids)), dtype=pl.String)
        return replace(
            self,
            drains=self.drains.filter(pl.col("drain_id").is_in(wanted.implode())),
            drain_use=self.drain_use.filter(pl.col("drain_id").is_in(wanted.implode())),
        )


def claim(
    uses: pl.DataFrame, registry: pl.DataFrame, secret: bytes, annotations: pl.DataFrame | None = None
) -> Claims:
    """
    Give every minute of every use to the drain it served, and list what does not fit.

    1. A row of the registry claims the runs of the (device, session) pairs in `uses` that overlap its
       tube's dates; where `uses` is empty, every use of the devices in `device` that overlaps them.
       Only the part between tube in and tube out is claimed, in whole minutes. Where nobody recorded
       the tube's removal, the claim on each pair or device ends with the first session that overlaps:
       staff tell the device of the next patient, and an open date must not swallow them all.
    2. Where two drains claim the same minutes of a use and are of one patient and not of different
       sides, both hold them (`shared_use`: a Y-connector). Any other double claim is a contradiction:
       the minutes go to a claim by name before one by device, then to the later tube in (the device
       most likely moved with the new tube, and the other's removal was written down late), then to the
       first key; the loser and the minutes are listed.
    3. Where two uses serve one drain at the same time, the one that began later holds (the device was
       swapped), so that no minute of a drain counts twice.
    4. A use that no row of the registry claims is a drain of its own, `linked = false`. Minutes of a
       claimed use outside every drain are listed as `minutes_without_drain`.

    A tube that came out before it went in has no known removal (`tube_out_at` becomes null), surgery that
    ended after the tube was out no known end (`procedure_end_at` becomes null); both are listed.

    Parameters
    ----------
    uses
        USE_TABLE, all of the ledger.
    registry
        REGISTRY_DRAIN, all rows ever given; the standing ones are chosen here.
    secret
        Key of the pseudonyms.
    annotations
        ANNOTATION, where there are any: those that touch no minute of a drain are listed.
    """
    rows = sound(standing(registry))
    held = held_of(uses, rows)
    served, idle = _one_use_at_a_time(held.holders, uses)
    drains = identified(rows, uses, served, held.unclaimed, secret)
    ids = drains.select(*_DRAIN, "use_of_unlinked", "drain_id")
    linked = served.join(ids, on=_DRAIN).select("drain_id", "use_id", "from_at", "until_at")
    unlinked = (
        ids.drop("drain_key", "site")
        .join(uses, left_on="use_of_unlinked", right_on="use_id")
        .select("drain_id", use_id="use_of_unlinked", from_at="started_at", until_at="ended_at")
    )
    drain_use = pl.concat([linked, unlinked]).sort("drain_id", "from_at", "use_id")
    return Claims(
        drains.drop("use_of_unlinked").sort("drain_id"),
        drain_use,
        findings_of(standing(registry), registry, uses, held, idle, ids, drain_use, annotations),
    )


def cuts_of(uses: pl.DataFrame, registry: pl.DataFrame) -> pl.DataFrame:
    """
    The instants inside uses at which their minutes pass from one drain (or none, or several) to another.

    The cuts of a device rest on its own uses and on the standing rows of the registry that mention it,
    on nothing else: what a night brings for other devices leaves them alone.

    Returns
    -------
    `use_id`, `at` (the first minute of the new stretch), sorted.
    """
    held = held_of(uses, sound(standing(registry)))
    return (
        held.segments.sort("use_id", "segment_from")
        .with_columns(before=pl.col("holders").shift(1).over("use_id"))
        .filter(pl.col("before").is_not_null() & (pl.col("before") != pl.col("holders")))
        .select("use_id", at="segment_from")
        .sort("use_id", "at")
    )


def sound(rows: pl.DataFrame) -> pl.DataFrame:
    """A removal before the insertion is no known removal; a surgery that ended after it no known origin."""
    out, end = pl.col("tube_out_at"), pl.col("procedure_end_at")
    possible = out >= pl.col("tube_in_at")
    return rows.with_columns(
        tube_out_at=pl.when(possible).then(out),
        procedure_end_at=pl.when(~((end > out) & possible).fill_null(False)).then(end),
    )


def _one_use_at_a_time(holders: pl.DataFrame, uses: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Step 3 of `claim`: the stretches that serve each drain, and those idle beside a newer device."""
    begun = uses.select("use_id", "device", begun_at="started_at")
    ends = pl.concat([holders.select(*_DRAIN, at="from_at"), holders.select(*_DRAIN, at="until_at")]).unique()
    pieces = (
        ends.sort(*_DRAIN, "at")
        .with_columns(segment_until=pl.col("at").shift(-1).over(_DRAIN))
        .filter(pl.col("segment_until").is_not_null())
        .rename({"at": "segment_from"})
        .join(holders.join(begun, on="use_id"), on=_DRAIN)
        .filter(
            (pl.col("from_at") <= pl.col("segment_from")) & (pl.col("segment_until") <= pl.col("until_at"))
        )
        .sort(*_DRAIN, "segment_from", "begun_at", "use_id", descending=[False, False, False, True, False])
        .with_columns(serves=pl.int_range(pl.len()).over(*_DRAIN, "segment_from") == 0)
    )
    idle = pieces.filter(~pl.col("serves")).select(
        *_DRAIN, "use_id", "device", "segment_from", "segment_until"
    )
    return joined(pieces.filter("serves")), idle.sort("use_id", "segment_from", "drain_key")
