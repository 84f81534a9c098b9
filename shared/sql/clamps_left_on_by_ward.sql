-- Where are clamps forgotten after handling?
--
-- Definition: stretches in which flow and breathing stopped with handling (a pause, a canister change, an
--   alert) and came back together, that no annotation explains and that lasted longer than
--   handling.clamp_long (15 min); per 100 drain-days of drains that could tell, with exact Poisson interval.
-- Awkward cases: a line that was never opened again, or after more than an hour, is not among them: it is
--   `flow_stopped`, cause unknown, and stands beside. Neither can be seen on a drain without evidence of
--   breathing or leak; such drains are counted under `drains` only. A clamp on purpose that nobody wrote
--   down looks the same. Wards with fewer than chart.least_evaluable drains that could tell, or days, are
--   `too_few` and stand last.
WITH stops AS (
    SELECT
        period.drain_id,
        count(*) FILTER (
            WHERE period.kind = 'clamped'
                AND period.grade IS DISTINCT FROM 'annotated'
                AND period.minutes > figure('handling.clamp_long')
        ) AS left_on,
        max(period.minutes) FILTER (
            WHERE period.kind = 'clamped' AND period.grade IS DISTINCT FROM 'annotated'
        ) AS longest,
        count(*) FILTER (WHERE period.kind = 'flow_stopped') AS flow_stopped
    FROM period
    WHERE period.kind IN ('clamped', 'flow_stopped')
    GROUP BY period.drain_id
),
wards AS (
    SELECT
        drain.site,
        drain.unit,
        count(*) AS drains,
        count(*) FILTER (WHERE drain.line_open_minutes IS NOT NULL OR drain.occlusion_minutes IS NOT NULL)
            AS drains_that_could_tell,
        coalesce(sum(drain.minutes_observed) FILTER (
            WHERE drain.line_open_minutes IS NOT NULL OR drain.occlusion_minutes IS NOT NULL
        ), 0) AS minutes,
        coalesce(sum(stops.left_on), 0)::BIGINT AS clamps_left_on,
        max(stops.longest) AS longest_minutes,
        coalesce(sum(stops.flow_stopped), 0)::BIGINT AS flow_stopped
    FROM drain
    LEFT JOIN stops
        ON drain.drain_id = stops.drain_id
    GROUP BY
        drain.site,
        drain.unit
)
SELECT
    site,
    unit,
    drains,
    drains_that_could_tell,
    minutes / 1440 AS drain_days,
    clamps_left_on,
    clamps_left_on * 144000 / nullif(minutes, 0) AS left_on_per_100_days,
    poisson_low(clamps_left_on) * 144000 / nullif(minutes, 0) AS per_100_days_low,
    poisson_high(clamps_left_on) * 144000 / nullif(minutes, 0) AS per_100_days_high,
    longest_minutes,
    flow_stopped,
    least(drains_that_could_tell, minutes / 1440) < figure('chart.least_evaluable') AS too_few
FROM wards
ORDER BY
    too_few,
    left_on_per_100_days DESC NULLS LAST,
    site,
    unit;
