"""What a drain's page says beyond the database: the site's time zone, and what staff noted."""

from __future__ import annotations

from typing import TypedDict

import polars as pl

from flows.loading.stale import read_ward
from pipeline.cohort import use_annotations
from pipeline.report.drain_record import ANNOTATIONS
from pipeline.store import Home
from schemas.lake import USE_TABLE
from schemas.published import DRAIN, DRAIN_USE


class Beside(TypedDict):
    """Keyword arguments of `drain_page`."""

    zone: str | None
    annotations: pl.DataFrame


def beside(home: Home, drain_id: str) -> Beside:
    """
    Look up what the published database does not hold of a drain.

    A note's own words stay in the private store: only what kind of note it was, and when.

    Returns
    -------
    `zone` (IANA name; that of the site where the drain has no log, null where nobody has said one) and
    `annotations` (`started_at`, `ended_at`, `kind`).
    """
    spans = home.lake.scan_owners(DRAIN_USE, [drain_id]).collect().sort("from_at", "use_id")
    uses = home.lake.scan(USE_TABLE).collect().sort(USE_TABLE.key)
    mine = uses.join(spans, on="use_id", how="semi")
    return Beside(zone=_zone(home, drain_id, uses, mine), annotations=_annotations(home, mine, spans))


def _zone(home: Home, drain_id: str, uses: pl.DataFrame, mine: pl.DataFrame) -> str | None:
    if mine.is_empty():
        site = home.lake.scan(DRAIN).filter(pl.col("drain_id") == drain_id).select("site").collect()
        mine = uses.join(site, on="site", how="semi")
    return None if mine.is_empty() else str(mine.sort("started_at", "use_id")["timezone"][0])


def _annotations(home: Home, mine: pl.DataFrame, spans: pl.DataFrame) -> pl.DataFrame:
    if mine.is_empty():
        return pl.DataFrame(schema=ANNOTATIONS)
    ward = read_ward(home)
    noted = use_annotations(mine, ward.registry, ward.annotations).join(spans, on="use_id")
    touches = (pl.col("started_at") < pl.col("until_at")) & (
        pl.col("ended_at").fill_null(pl.col("started_at") + pl.duration(minutes=1)) > pl.col("from_at")
    )
    return noted.filter(touches).select(*ANNOTATIONS).unique().sort(*ANNOTATIONS, nulls_last=True)
