-- How long does each kind of alert ring before it is dealt with?
--
-- Definition: minutes from the first it rang to its end, over the alerts seen to end: median and 90th
--   percentile.
-- Awkward cases: alerts that still rang where the log breaks off or ends were not seen to clear and are in
--   neither figure, so both are too kind where `not_seen_to_clear` is large. other:… are codes that the
--   site's profile does not name.
SELECT
    alert.code,
    count(*) AS alerts,
    count(DISTINCT alert.drain_id) AS drains,
    count(*) - count(alert.minutes_to_clear) AS not_seen_to_clear,
    median(alert.minutes_to_clear) AS minutes_to_clear_median,
    quantile_cont(alert.minutes_to_clear, 0.9) AS minutes_to_clear_p90
FROM alert
GROUP BY alert.code
ORDER BY
    minutes_to_clear_median DESC NULLS LAST,
    alert.code;
