-- How alerts are dealt with: by unit, local month of the origin and alert code.
--
-- To clear: from the first minute it rang to its end. An alert that still rang where the log breaks off or
--   ends was not seen to clear: it counts, but has no time to clear, and the median is of the others. Where
--   many were not seen, that median is too kind; `not_seen_to_clear` says how many.
-- Left ringing: rang for longer than the definitions' handling.alert_long, whether or not it was seen to end.
-- Awkward cases: drains whose logs say nothing of alerts have none here and are not without alerts. An alert
--   that rings for days is one alert. A ward that answers quickly may have the more alerts.
CREATE VIEW alert_clearing AS
SELECT
    drain.site,
    drain.unit,
    date_trunc('month', drain.origin_day)::DATE AS month,
    alert.code,
    count(*) AS alerts,
    count(DISTINCT alert.drain_id)::INTEGER AS drains,
    count(alert.minutes_to_clear) AS cleared,
    count(*) - count(alert.minutes_to_clear) AS not_seen_to_clear,
    count(*) FILTER (
        WHERE greatest(alert.minutes, coalesce(alert.minutes_to_clear, 0)) > figure('handling.alert_long')
    ) AS left_ringing,
    median(alert.minutes_to_clear)::DOUBLE AS minutes_to_clear_median,
    quantile_cont(alert.minutes_to_clear, 0.9)::DOUBLE AS minutes_to_clear_p90
FROM alert
INNER JOIN drain
    ON alert.drain_id = drain.drain_id
GROUP BY
    drain.site,
    drain.unit,
    date_trunc('month', drain.origin_day),
    alert.code
ORDER BY
    drain.site,
    drain.unit,
    month,
    alert.code;
