-- On which wards do drains lie on their side, and for how long a day?
--
-- Definition: minutes tilted beyond what a volume reading tolerates (definitions: tilted.limit), per 1440
--   minutes in which the tilt was read.
-- Awkward cases: drains whose tilt was never read count under `drains` only, not under `drains_read`; a ward
--   with none of the others has a null rate. Wards with fewer than chart.least_evaluable drains read, or days,
--   are `too_few` and stand last. A drain carried on a walk tilts as well: compare wards, do not blame minutes.
SELECT
    site,
    unit,
    count(*) AS drains,
    count(tilted_minutes) AS drains_read,
    coalesce(sum(tilt_known_minutes), 0) / 1440 AS drain_days,
    sum(tilted_minutes)::BIGINT AS tilted_minutes,
    sum(tilted_minutes) * 1440 / nullif(sum(tilt_known_minutes), 0) AS tilted_minutes_per_day,
    least(count(tilted_minutes), coalesce(sum(tilt_known_minutes), 0) / 1440)
        < figure('chart.least_evaluable') AS too_few
FROM drain
GROUP BY
    site,
    unit
ORDER BY
    too_few,
    tilted_minutes_per_day DESC NULLS LAST,
    site,
    unit;
