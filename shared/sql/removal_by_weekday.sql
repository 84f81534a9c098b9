-- On which weekdays do tubes come out, and do those of the weekend wait longer?
--
-- Definition: drains whose tube is known to have come out, by removal rule and by the weekday of the last
--   local day with a minute in the log; hours between ready and removed of those that were ready.
-- Awkward cases: the weekday is the log's last local day, a day early where the log ends before midnight
--   and the tube left after it. Drains without a log are in no weekday. Few drains a weekday: medians of
--   fewer than ten jump. No rule is a recommendation, and a delay has reasons that no log shows.
WITH last_days AS (
    SELECT
        drain_day.drain_id,
        max(drain_day.day) AS last_day
    FROM drain_day
    GROUP BY drain_day.drain_id
)
SELECT
    readiness.rule,
    isodow(last_days.last_day) AS weekday_no,
    dayname(last_days.last_day) AS weekday,
    count(*) AS removed,
    count(readiness.hours_ready_before_removal) AS ready,
    median(readiness.hours_ready_before_removal) AS delay_median_hours,
    quantile_cont(readiness.hours_ready_before_removal, 0.9) AS delay_p90_hours
FROM readiness
INNER JOIN drain
    ON readiness.drain_id = drain.drain_id
INNER JOIN last_days
    ON drain.drain_id = last_days.drain_id
WHERE came_out(drain.tube_out_at, drain.removal_reason)
GROUP BY
    readiness.rule,
    isodow(last_days.last_day),
    dayname(last_days.last_day)
ORDER BY
    readiness.rule,
    weekday_no;
