-- How are drains handled, ward by ward: tilted, paused, short of suction, on mains?
--
-- Definition: minutes per day of those that could tell (tilt read; state said; running with both pressures
--   read), alerts per day of alerts told, share of known minutes on mains; added up over months.
-- Awkward cases: wards with fewer than chart.least_evaluable drains, or days, are `too_few` (not ranked:
--   the order is that of their names); a single figure may stand on fewer still. Months are added by their
--   minutes, never by averaging rates. Null: nothing of the kind was read on that ward. Pauses and tilt are
--   part of good care too: this counts minutes, not faults.
SELECT
    site,
    unit,
    sum(drains)::BIGINT AS drains,
    sum(minutes_observed) / 1440 AS drain_days,
    sum(tilted_minutes) * 1440 / nullif(sum(tilt_known_minutes), 0) AS tilted_minutes_per_day,
    sum(pause_minutes) * 1440 / nullif(sum(state_known_minutes), 0) AS pause_minutes_per_day,
    sum(suction_shortfall_minutes) * 1440 / nullif(sum(suction_known_minutes), 0)
        AS shortfall_minutes_per_day,
    sum(alert_count) * 1440 / nullif(sum(alerts_known_minutes), 0) AS alerts_per_day,
    sum(mains_minutes) / nullif(sum(power_known_minutes), 0) AS mains_share,
    least(sum(drains), sum(minutes_observed) / 1440) < figure('chart.least_evaluable') AS too_few
FROM handling
GROUP BY
    site,
    unit
ORDER BY
    site,
    unit;
