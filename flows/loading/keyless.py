"""What of a ward's registry and annotations is needed to compute, without a key of a patient or a drain."""

from __future__ import annotations

import polars as pl

from flows.loading.stale import Ward
from pipeline.cohort.holding import CLAIMING
from schemas.registry import ANNOTATION, REGISTRY_DRAIN


def keyless(ward: Ward) -> Ward:
    """
    The ward's rows with nothing left in them but what decides who holds which minutes.

    Keys of patients and drains become their places in the order of all keys: equal keys stay equal, and the
    order of keys, which settles a tie between two claims, stays as it was.
    """
    registry, notes = ward.registry, ward.annotations
    left = set(REGISTRY_DRAIN.names) - {*CLAIMING, "exported_at", "file_sha256"}
    places = {key: _places(registry, key) for key in ("drain_key", "patient_key")}
    for key, place in places.items():
        registry = registry.join(place, on=key, maintain_order="left").drop(key).rename({"place": key})
    notes = notes.join(places["drain_key"], on="drain_key", maintain_order="left").drop("drain_key")
    return Ward(
        REGISTRY_DRAIN.conform(registry.drop(left)),
        ANNOTATION.conform(notes.rename({"place": "drain_key"}).drop("author_role", "note")),
    )


def _places(registry: pl.DataFrame, key: str) -> pl.DataFrame:
    keys = registry.select(pl.col(key).unique().sort())
    return keys.with_columns(place=pl.int_range(pl.len()).cast(pl.String).str.zfill(9))
