-- How long does each kind of alert ring before it is dealt with?
--
-- Definition: minutes from the first it rang to its end, over the alerts seen to end: median and 90th
--   percentile.
-- Awkward cases: alerts that still rang where the log breaks off or ends were not seen to clear and are in
--   neither figure, so both are too kind where `not_seen_to_clear` is large. Kinds of which fewer than
--   chart.least_evaluable were seen to end are `too_few` and stand last. other:… are codes that the site's
--   profile does not name.
SELECT
    alert.code,
    count(*) AS alerts,
    count(DISTINCT alert.drain_id) AS drains,
    count(*) - count(alert.minutes_to_clear) AS not_seen_to_clear,
    median(alert.minutes_to_clear) AS minutes_to_clear_median,
    quantile_cont(alert.minutes_to_clear, 0.9) AS minutes_to_clear_p90,
    count(alert.minutes_to_clear) < figure('chart.least_evaluable') AS too_few
FROM alert
GROUP BY alert.code
ORDER BY
    too_few,
    minutes_to_clear_median DESC NULLS LAST,
    alert.code;
