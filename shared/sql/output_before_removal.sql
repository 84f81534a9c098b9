-- How much fluid still came on the last full day before tubes were pulled?
--
-- Definition: output of the last local calendar day before the day of the last minute, of drains whose tube
--   is known to have come out (came_out): quartiles by ward.
-- Awkward cases: null output (the volume was not read to the end of that day and of the day before) is left
--   out, and counted as `unread`; a drain of less than a whole day has no such day. No amount here is a
--   target: what was pulled at more fluid was pulled for reasons no log shows.
WITH last_days AS (
    SELECT
        drain.drain_id,
        drain.site,
        drain.unit,
        max(drain_day.day) AS last_day
    FROM drain
    INNER JOIN drain_day
        ON drain.drain_id = drain_day.drain_id
    WHERE came_out(drain.tube_out_at, drain.removal_reason)
    GROUP BY
        drain.drain_id,
        drain.site,
        drain.unit
)
SELECT
    last_days.site,
    last_days.unit,
    count(*) AS drains,
    count(*) - count(drain_day.output_ml) AS unread,
    quantile_cont(drain_day.output_ml, 0.25) AS output_ml_p25,
    median(drain_day.output_ml) AS output_ml_median,
    quantile_cont(drain_day.output_ml, 0.75) AS output_ml_p75,
    max(drain_day.output_ml) AS output_ml_most
FROM last_days
LEFT JOIN drain_day
    ON last_days.drain_id = drain_day.drain_id
    AND drain_day.day = last_days.last_day - 1
GROUP BY
    last_days.site,
    last_days.unit
ORDER BY
    last_days.site,
    last_days.unit;
