-- How long does each kind of alert ring before it is dealt with?
--
-- Definition: minutes from the first it rang to its end, over the alarms seen to begin and end: median and
--   90th percentile. Alerts of a code on one drain less than handling.alarm_apart (10 min) apart are one
--   alarm, and drains that share a device hear it once (`alarm`).
-- Awkward cases: alarms that still rang where the log breaks off or ends were not seen to clear and are in
--   neither figure, so both are too kind where `not_seen_to_clear` is large. Kinds of which fewer than
--   chart.least_evaluable were seen to end are `too_few` and stand last. other:… are codes that the site's
--   profile does not name.
SELECT
    alarm.code,
    count(*) AS alarms,
    count(DISTINCT alarm.drain_id) AS drains,
    count(*) - count(alarm.minutes_to_clear) AS not_seen_to_clear,
    median(alarm.minutes_to_clear) AS minutes_to_clear_median,
    quantile_cont(alarm.minutes_to_clear, 0.9) AS minutes_to_clear_p90,
    count(alarm.minutes_to_clear) < figure('chart.least_evaluable') AS too_few
FROM alarm
GROUP BY alarm.code
ORDER BY
    too_few,
    minutes_to_clear_median DESC NULLS LAST,
    alarm.code;
