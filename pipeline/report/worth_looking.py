"""Drains worth looking at one by one: a few of each reason, the clearest first."""

from __future__ import annotations

import polars as pl

from pipeline.report.ask import Ask
from pipeline.report.words import REASONS, told
from schemas.findings import FINDINGS

_COMMON = (6, 8, 9, 10)  # places of reasons that would fill the list: tilt and unknown outcomes
_PART = 4  # a common reason has no more than one in so many of those asked for

# Each reason: the drains it holds for with the size that ranks them (greatest first) and what is said of it,
# with the ledger's own word for it where it has one.
_CANDIDATES = """
WITH occlusions AS (
  SELECT
    drain_id,
    coalesce(bool_or(grade = 'probable'), false) AS probable,
    sum(minutes)::BIGINT AS minutes
  FROM period
  WHERE kind = 'occlusion_suspected'
    AND grade IS DISTINCT FROM 'annotated'
  GROUP BY drain_id
),
noted AS (
  SELECT
    drain_id,
    sum(minutes - coalesce(minutes_against_log, 0))::BIGINT AS minutes
  FROM annotation
  WHERE kind = 'confirmed_occlusion'
  GROUP BY drain_id
),
reasons AS (
  SELECT
    1 AS place,
    drain_id,
    minutes::DOUBLE AS size,
    'occlusion suspected for ' || minutes || ' min, graded probable' AS why,
    NULL AS word
  FROM occlusions
  WHERE probable
  UNION ALL
  SELECT
    2 AS place,
    drain_id,
    max(minutes)::DOUBLE AS size,
    'a clamp that nobody noted, left on for ' || max(minutes)::BIGINT || ' min' AS why,
    NULL AS word
  FROM period
  WHERE kind = 'clamped'
    AND grade IS DISTINCT FROM 'annotated'
    AND minutes > figure('handling.clamp_long')
  GROUP BY drain_id
  UNION ALL
  SELECT
    3 AS place,
    drain_id,
    leak_recurrences::DOUBLE AS size,
    'the leak came back '
      || CASE leak_recurrences WHEN 1 THEN 'once' ELSE leak_recurrences || ' times' END AS why,
    NULL AS word
  FROM drain
  WHERE leak_recurrences > 0
  UNION ALL
  SELECT
    4 AS place,
    drain_id,
    minutes::DOUBLE AS size,
    'occlusion suspected for ' || minutes || ' min' AS why,
    NULL AS word
  FROM occlusions
  WHERE NOT probable
  UNION ALL
  SELECT
    4 AS place,
    noted.drain_id,
    noted.minutes::DOUBLE AS size,
    'a blocked tube that staff noted, ' || noted.minutes || ' min' AS why,
    NULL AS word
  FROM noted
  LEFT JOIN occlusions
    ON noted.drain_id = occlusions.drain_id
  WHERE noted.minutes > 0
    AND occlusions.drain_id IS NULL
  UNION ALL
  SELECT
    5 AS place,
    drain_id,
    coalesce(leak_hours, epoch(leak_end_earliest_at - origin_at) / 3600, 0) AS size,
    'a leak beyond the threshold' AS why,
    NULL AS word
  FROM drain
  WHERE prolonged_leak = 'yes'
  UNION ALL
  SELECT
    6 AS place,
    drain_id,
    tilted_minutes / tilt_known_minutes AS size,
    'tilted for ' || round(100 * tilted_minutes / tilt_known_minutes, 1) || ' % of the time' AS why,
    NULL AS word
  FROM drain
  WHERE tilted_minutes > 0 AND tilt_known_minutes > 0
  UNION ALL
  SELECT
    7 AS place,
    drain_id,
    max(coalesce(minutes, 0))::DOUBLE AS size,
    'registry and log contradict each other: ' AS why,
    min(finding) AS word
  FROM data_quality
  WHERE finding IN (
    'use_claimed_twice', 'log_outside_drain', 'registry_rows_disagree', 'tube_out_before_in',
    'procedure_end_after_out', 'annotation_against_log'
  )
  GROUP BY drain_id
  UNION ALL
  SELECT
    8 AS place,
    drain_id,
    minutes_observed::DOUBLE AS size,
    'outcome unknown, paper may tell: ' AS why,
    prolonged_leak_reason AS word
  FROM drain
  WHERE prolonged_leak = 'unknown'
    AND prolonged_leak_reason IN ('still_in', 'log_ends_leaking')
  UNION ALL
  SELECT
    9 AS place,
    drain_id,
    minutes_expected::DOUBLE AS size,
    'outcome unknown: ' AS why,
    prolonged_leak_reason AS word
  FROM drain
  WHERE prolonged_leak_reason = 'no_log'
  UNION ALL
  SELECT
    10 AS place,
    drain_id,
    minutes_observed::DOUBLE AS size,
    'outcome unknown, a fuller log may tell: ' AS why,
    prolonged_leak_reason AS word
  FROM drain
  WHERE prolonged_leak = 'unknown'
    AND prolonged_leak_reason IN ('gap_spans_threshold', 'late_entry', 'too_little_data')
)
SELECT
  reasons.drain_id,
  drain.site,
  drain.unit,
  drain.started_at,
  drain.minutes_observed,
  drain.prolonged_leak,
  reasons.place,
  reasons.why,
  reasons.word,
  row_number() OVER (
    PARTITION BY reasons.place ORDER BY reasons.size DESC NULLS LAST, reasons.drain_id
  ) AS rank
FROM reasons
INNER JOIN drain
  ON reasons.drain_id = drain.drain_id
WHERE drain.minutes_observed > 0 OR drain.prolonged_leak_reason = 'no_log'
ORDER BY rank, reasons.place
"""


def worth_looking(ask: Ask, most: int) -> pl.DataFrame:
    """
    Choose drains whose whole course is worth a look, by turns from each reason.

    In the order in which they are worth a talk at the bedside: a probable occlusion (the longest first), a
    clamp nobody noted and left on (the longest), a leak that came back (most often), a suspected occlusion of
    lesser grade or noted by staff alone (the longest; minutes in which the log contradicts the note are left
    out), a leak beyond the threshold (the longest), tilt (the greatest share of the
    time). Behind them what a desk has to settle: registry and log in contradiction (the most minutes), an
    outcome that is unknown and that paper may tell (the longest watched), no log (the longest expected), an
    outcome that a fuller log may tell (the longest watched). The first of each are chosen first, then the
    second of each, until there are as many as asked for; of tilt and of unknown outcomes, which most drains
    have, no more than a quarter of these for each reason. They are listed by their first reason. A drain with
    several reasons is chosen once and carries each for which it is among the first so many.

    Parameters
    ----------
    ask
        Reads `drain`, `period`, `annotation` and `data_quality`.
    most
        How many at most.

    Returns
    -------
    `drain_id`, `site`, `unit`, `started_at`, `minutes_observed`, `prolonged_leak`, `why` (its
    reasons), the first to look at first.
    """
    word = pl.coalesce(told({**REASONS, **FINDINGS}, "word"), pl.lit(""))
    candidates = ask(_CANDIDATES).with_columns(why=pl.concat_str("why", word)).drop("word")
    # A reason is named where the drain is among the first so many of it: everybody is tilted now and then.
    few = pl.col("place").is_in(_COMMON) & (pl.col("rank") > -(-most // _PART))
    candidates = candidates.filter(~few)
    clear = candidates.filter(pl.col("rank") <= most).sort("drain_id", "place")
    whys = clear.group_by("drain_id").agg(
        pl.col("why").sort_by("place").str.join("; "), first=pl.col("place").min()
    )
    return (
        candidates.unique("drain_id", keep="first", maintain_order=True)
        .head(most)
        .drop("why", "place")
        .join(whys, on="drain_id", how="left", maintain_order="left")
        .sort("first", "rank", "drain_id")
        .drop("first", "rank")
    )
