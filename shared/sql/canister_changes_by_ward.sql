-- How often are canisters changed, and how full are they by then?
--
-- Definition: changes per 10 drain-days of drains whose volume was read (`drains_read`), and the fluid that went
--   into a canister while it served the drain, over canisters that were taken off.
-- Awkward cases: wards with fewer than chart.least_evaluable drains read, or days, are `too_few` (not
--   ranked: the order is that of their names). The last canister of a drain was not changed and is not
--   counted; a canister that was on before the drain began holds less of this drain's fluid than it shows.
--   A change inside a hole of the log is counted when the readings show it.
WITH changed AS (
    SELECT
        canister.drain_id,
        canister.volume_ml
    FROM canister
    WHERE canister.removed_at IS NOT NULL
),
volumes AS (
    SELECT
        drain.site,
        drain.unit,
        median(changed.volume_ml) AS volume_ml_median,
        quantile_cont(changed.volume_ml, 0.9) AS volume_ml_p90
    FROM changed
    INNER JOIN drain
        ON changed.drain_id = drain.drain_id
    GROUP BY
        drain.site,
        drain.unit
),
days AS (
    SELECT
        drain.site,
        drain.unit,
        count(*) AS drains_read,
        sum(drain.minutes_observed) AS minutes,
        sum(drain.canister_changes)::BIGINT AS changes
    FROM drain
    WHERE drain.canister_changes IS NOT NULL
    GROUP BY
        drain.site,
        drain.unit
)
SELECT
    days.site,
    days.unit,
    days.drains_read,
    days.minutes / 1440 AS drain_days,
    days.changes,
    days.changes * 14400 / nullif(days.minutes, 0) AS changes_per_10_days,
    volumes.volume_ml_median,
    volumes.volume_ml_p90,
    least(days.drains_read, days.minutes / 1440) < figure('chart.least_evaluable') AS too_few
FROM days
LEFT JOIN volumes
    ON days.site = volumes.site
    AND days.unit IS NOT DISTINCT FROM volumes.unit
ORDER BY
    days.site,
    days.unit;
