"""Drains worth looking at one by one: a few of each reason, the clearest first."""

from __future__ import annotations

import polars as pl

from pipeline.report.ask import Ask

# Each reason: the drains it holds for with the size that ranks them (greatest first) and what is said of it.
_CANDIDATES = """
WITH reasons AS (
  SELECT
    1 AS place,
    drain_id,
    sum(minutes)::DOUBLE AS size,
    'occlusion suspected for ' || sum(minutes)::BIGINT || ' min' AS why
  FROM period
  WHERE kind = 'occlusion_suspected'
  GROUP BY drain_id
  UNION ALL
  SELECT
    2 AS place,
    drain_id,
    coalesce(leak_hours, epoch(leak_end_earliest_at - origin_at) / 3600, 0) AS size,
    'a leak beyond the threshold' AS why
  FROM drain
  WHERE prolonged_leak = 'yes'
  UNION ALL
  SELECT
    3 AS place,
    drain_id,
    max(minutes)::DOUBLE AS size,
    'a clamp that nobody noted, left on for ' || max(minutes)::BIGINT || ' min' AS why
  FROM period
  WHERE kind = 'clamped'
    AND grade IS DISTINCT FROM 'annotated'
    AND minutes > figure('handling.clamp_long')
  GROUP BY drain_id
  UNION ALL
  SELECT
    4 AS place,
    drain_id,
    leak_recurrences::DOUBLE AS size,
    'the leak came back '
      || CASE leak_recurrences WHEN 1 THEN 'once' ELSE leak_recurrences || ' times' END AS why
  FROM drain
  WHERE leak_recurrences > 0
  UNION ALL
  SELECT
    5 AS place,
    drain_id,
    tilted_minutes / tilt_known_minutes AS size,
    'tilted for ' || round(100 * tilted_minutes / tilt_known_minutes, 1) || ' % of the time' AS why
  FROM drain
  WHERE tilted_minutes > 0 AND tilt_known_minutes > 0
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
  row_number() OVER (PARTITION BY reasons.place ORDER BY reasons.size DESC, reasons.drain_id) AS rank
FROM reasons
INNER JOIN drain
  ON reasons.drain_id = drain.drain_id
WHERE drain.minutes_observed > 0
ORDER BY rank, reasons.place
"""


def worth_looking(ask: Ask, most: int) -> pl.DataFrame:
    """
    Choose drains whose whole course is worth a look, by turns from each reason.

    The reasons, each ranked by its own size: a suspected occlusion (the longest), a leak beyond the
    threshold (the longest), a clamp nobody noted and left on (the longest), a leak that came back (most
    often), tilt (the greatest share of the time). The first of each come first, then the second of each,
    until there are as many as asked for; a drain with several reasons is chosen once and carries each for
    which it is among the first so many.

    Parameters
    ----------
    ask
        Reads `drain` and `period`.
    most
        How many at most.

    Returns
    -------
    `drain_id`, `site`, `unit`, `started_at`, `minutes_observed`, `prolonged_leak`, `why` (its
    reasons), in the order of choice.
    """
    candidates = ask(_CANDIDATES)
    # A reason is named where the drain is among the first so many of it: everybody is tilted now and then.
    clear = candidates.filter(pl.col("rank") <= most).sort("drain_id", "place")
    whys = clear.group_by("drain_id").agg(pl.col("why").str.join("; "))
    return (
        candidates.unique("drain_id", keep="first", maintain_order=True)
        .head(most)
        .drop("why", "place", "rank")
        .join(whys, on="drain_id", how="left", maintain_order="left")
    )
