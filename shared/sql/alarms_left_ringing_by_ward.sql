-- On which wards are alarms left to ring?
--
-- Definition: alarms that rang for longer than the definitions' handling.alert_long (15 min), per 100
--   drain-days whose logs say whether an alert rang, with exact Poisson interval (it takes alarms for
--   independent; where a few drains have many it is too narrow); and which share of all alarms they are
--   (Wilson interval). Alerts of a code on one drain less than handling.alarm_apart (10 min) apart are one
--   alarm (`alarm`).
-- Awkward cases: drains that share a device hear an alarm once, and its days count once (not in `drains`). An
--   alarm that still rang where the log breaks off counts by the minutes it was heard.
--   Months whose logs are silent about alerts are not counted; `drains` are all of the other months. Wards
--   with fewer than chart.least_evaluable drains, or days, are `too_few` and stand last. Why an alarm rang on,
--   no log shows.
SELECT
    site,
    unit,
    sum(drains)::BIGINT AS drains,
    sum(alarms_known_minutes) / 1440 AS drain_days,
    sum(alarm_count)::BIGINT AS alarms,
    sum(alerts_left_ringing)::BIGINT AS left_ringing,
    sum(alerts_left_ringing) * 144000 / nullif(sum(alarms_known_minutes), 0) AS left_ringing_per_100_days,
    poisson_low(sum(alerts_left_ringing)) * 144000 / nullif(sum(alarms_known_minutes), 0)
        AS per_100_days_low,
    poisson_high(sum(alerts_left_ringing)) * 144000 / nullif(sum(alarms_known_minutes), 0)
        AS per_100_days_high,
    sum(alerts_left_ringing) / nullif(sum(alarm_count), 0) AS share,
    wilson_low(sum(alerts_left_ringing), sum(alarm_count)) AS share_low,
    wilson_high(sum(alerts_left_ringing), sum(alarm_count)) AS share_high,
    least(sum(drains), sum(alarms_known_minutes) / 1440) < figure('chart.least_evaluable') AS too_few
FROM handling
WHERE alert_count IS NOT NULL
GROUP BY
    site,
    unit
ORDER BY
    too_few,
    left_ringing_per_100_days DESC NULLS LAST,
    site,
    unit;
