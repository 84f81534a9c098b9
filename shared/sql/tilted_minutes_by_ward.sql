-- On which wards do drains lie on their side, and for how long a day?
--
-- Definition: minutes tilted beyond what a volume reading tolerates (definitions: tilted.limit), per 1440
--   minutes in which the tilt was read.
-- Awkward cases: drains whose tilt was never read are not counted; a ward with none of the others is not
--   listed. A drain carried on a walk tilts as well: compare wards, do not blame minutes.
SELECT
    site,
    unit,
    count(*) AS drains,
    sum(tilt_known_minutes) / 1440 AS drain_days,
    sum(tilted_minutes)::BIGINT AS tilted_minutes,
    sum(tilted_minutes) * 1440 / nullif(sum(tilt_known_minutes), 0) AS tilted_minutes_per_day
FROM drain
WHERE tilted_minutes IS NOT NULL
GROUP BY
    site,
    unit
ORDER BY
    tilted_minutes_per_day DESC NULLS LAST,
    site,
    unit;
