-- How alerts are dealt with: by unit, local month of the origin and alert code.
--
-- An alert here is an alarm as the view `alarm` has it: alerts of a code with less than handling.alarm_apart
--   between them are one, for nobody dealt with one that fell silent because the device was tilted; those of
--   a shared device count once. As the log has them they stand in `alert`.
-- To clear: from the first minute it rang to its end. An alert that still rang where the log breaks off or
--   ends was not seen to clear: it counts, but has no time to clear, and the median is of the others. Where
--   many were not seen, that median is too kind; `not_seen_to_clear` says how many.
-- Left ringing: rang for longer than the definitions' handling.alert_long, whether or not it was seen to end.
-- Awkward cases: drains whose logs say nothing of alerts have none here and are not without alerts. An alert
--   that rings for days is one alert. A ward that answers quickly may have the more alerts.
CREATE VIEW alert_clearing AS
SELECT
    alarm.site,
    alarm.unit,
    alarm.month,
    alarm.code,
    count(*) AS alerts,
    count(DISTINCT alarm.drain_id)::INTEGER AS drains,
    count(alarm.minutes_to_clear) AS cleared,
    count(*) - count(alarm.minutes_to_clear) AS not_seen_to_clear,
    count(*) FILTER (WHERE alarm.is_left_ringing) AS left_ringing,
    median(alarm.minutes_to_clear)::DOUBLE AS minutes_to_clear_median,
    quantile_cont(alarm.minutes_to_clear, 0.9)::DOUBLE AS minutes_to_clear_p90
FROM alarm
GROUP BY
    alarm.site,
    alarm.unit,
    alarm.month,
    alarm.code
ORDER BY
    alarm.site,
    alarm.unit,
    alarm.month,
    alarm.code;
