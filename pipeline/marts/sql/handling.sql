-- How drains are handled on a ward: by unit and local month of the origin, per drain-day observed.
--
-- A drain-day is 1440 observed minutes, whether or not they follow one another.
-- Each figure is per 1440 minutes that could tell: tilted per those in which the tilt was read, paused per
--   those whose log says what the device was doing, short of suction per those running with both pressures
--   read, alerts per those whose log says whether one rang. A drain always tilted, its tilt read in a tenth
--   of its minutes, was tilted for 1440 minutes a day as far as anybody knows, not for 144.
-- The minutes and alerts behind each figure stand beside it, so that months and wards can be added up: add
--   those and divide again, never the rates.
-- Minutes to clear: median over the alarms of these drains that were seen to end (`alarm`: alerts that belong
--   together are one).
-- Left ringing: alarms that rang for longer than the definitions' handling.alert_long, seen to end or not.
-- Clamps left on: clamps that no annotation explains and that lasted longer than handling.clamp_long. Seen in
--   the log by a stop that came with handling and a return; a line that was never opened again is not among
--   them (see the period flow_stopped).
-- Share on mains: of the minutes for which the power supply is known.
-- Shared uses: where one device use serves two drains of a patient, each of them has its minutes, alerts
--   and clamps, as in `drain`: the figures are of drains, not of devices, and such a device weighs twice.
--   Alarms alone, and the minutes behind them, count once: of each day whose log tells of alerts, the minutes
--   of the drain watched longer.
-- Awkward cases: nothing known gives null, not nought. The minutes of a drain all count in the month it
--   began. Sums are of whole minutes, so that they are the same however they are added.
CREATE VIEW handling AS
WITH alarms_cleared AS (
    SELECT
        alarm.site,
        alarm.unit,
        alarm.month,
        count(*) AS alarms,
        count(*) FILTER (WHERE alarm.is_left_ringing) AS left_ringing,
        median(alarm.minutes_to_clear)::DOUBLE AS minutes_to_clear_median
    FROM alarm
    GROUP BY
        alarm.site,
        alarm.unit,
        alarm.month
),
shared_days AS (
    SELECT
        drain_counted_as.counted_id,
        drain_day.day,
        max(drain_day.minutes_observed) AS minutes
    FROM drain_counted_as
    INNER JOIN drain_day
        ON drain_counted_as.drain_id = drain_day.drain_id
    WHERE drain_counted_as.counted_once
        AND drain_day.alert_count IS NOT NULL
    GROUP BY
        drain_counted_as.counted_id,
        drain_day.day
),
listened AS (
    SELECT
        shared_days.counted_id,
        sum(shared_days.minutes)::BIGINT AS minutes
    FROM shared_days
    GROUP BY shared_days.counted_id
    UNION ALL
    SELECT
        drain.drain_id AS counted_id,
        drain.alerts_known_minutes AS minutes
    FROM drain
    INNER JOIN drain_counted_as
        ON drain.drain_id = drain_counted_as.drain_id
    WHERE NOT drain_counted_as.counted_once
),
drains AS (
    SELECT
        drain.drain_id,
        drain.site,
        drain.unit,
        date_trunc('month', drain.origin_day)::DATE AS month,
        drain.minutes_observed,
        drain.tilted_minutes,
        drain.tilt_known_minutes,
        round(drain.pause_hours * 60)::BIGINT AS pause_minutes,
        drain.state_known_minutes,
        drain.suction_shortfall_minutes,
        drain.suction_known_minutes,
        drain.alert_count,
        drain.alerts_known_minutes,
        coalesce(listened.minutes, 0) AS listened_minutes,
        drain.mains_minutes,
        drain.battery_minutes,
        drain.line_open_minutes IS NOT NULL OR drain.occlusion_minutes IS NOT NULL AS stops_could_be_seen
    FROM drain
    LEFT JOIN listened
        ON drain.drain_id = listened.counted_id
),
clamps AS (
    SELECT
        drains.site,
        drains.unit,
        drains.month,
        count(*) FILTER (
            WHERE period.grade IS DISTINCT FROM 'annotated'
                AND period.minutes > figure('handling.clamp_long')
        ) AS left_on
    FROM drains
    INNER JOIN period
        ON drains.drain_id = period.drain_id
    WHERE period.kind = 'clamped'
    GROUP BY
        drains.site,
        drains.unit,
        drains.month
),
minutes AS (
    SELECT
        drains.site,
        drains.unit,
        drains.month,
        count(*)::INTEGER AS drains,
        bool_or(drains.stops_could_be_seen) AS stops_could_be_seen,
        sum(drains.minutes_observed)::BIGINT AS observed,
        sum(drains.tilted_minutes)::BIGINT AS tilted,
        sum(drains.tilt_known_minutes)::BIGINT AS tilt_known,
        sum(drains.pause_minutes)::BIGINT AS paused,
        sum(drains.state_known_minutes)::BIGINT AS pause_known,
        sum(drains.suction_shortfall_minutes)::BIGINT AS shortfall,
        sum(drains.suction_known_minutes)::BIGINT AS shortfall_known,
        sum(drains.alert_count)::BIGINT AS alerts,
        sum(drains.alerts_known_minutes)::BIGINT AS alerts_known,
        sum(drains.listened_minutes)::BIGINT AS alarms_known,
        sum(drains.mains_minutes)::BIGINT AS on_mains,
        sum(coalesce(drains.mains_minutes, 0) + coalesce(drains.battery_minutes, 0))::BIGINT
            AS power_known
    FROM drains
    GROUP BY
        drains.site,
        drains.unit,
        drains.month
)
SELECT
    minutes.site,
    minutes.unit,
    minutes.month,
    minutes.drains,
    minutes.observed / 1440 AS drain_days,
    minutes.tilted * 1440 / nullif(minutes.tilt_known, 0) AS tilted_minutes_per_day,
    minutes.paused * 1440 / nullif(minutes.pause_known, 0) AS pause_minutes_per_day,
    minutes.shortfall * 1440 / nullif(minutes.shortfall_known, 0) AS shortfall_minutes_per_day,
    minutes.alerts * 1440 / nullif(minutes.alerts_known, 0) AS alerts_per_day,
    alarms_cleared.minutes_to_clear_median,
    minutes.on_mains / nullif(minutes.power_known, 0) AS mains_share,
    minutes.observed AS minutes_observed,
    minutes.tilted AS tilted_minutes,
    minutes.tilt_known AS tilt_known_minutes,
    minutes.paused AS pause_minutes,
    minutes.pause_known AS state_known_minutes,
    minutes.shortfall AS suction_shortfall_minutes,
    minutes.shortfall_known AS suction_known_minutes,
    minutes.alerts AS alert_count,
    minutes.alerts_known AS alerts_known_minutes,
    CASE WHEN minutes.alerts IS NOT NULL THEN coalesce(alarms_cleared.alarms, 0) END AS alarm_count,
    minutes.alarms_known AS alarms_known_minutes,
    CASE WHEN minutes.alerts IS NOT NULL THEN coalesce(alarms_cleared.left_ringing, 0) END
        AS alerts_left_ringing,
    CASE WHEN minutes.stops_could_be_seen THEN coalesce(clamps.left_on, 0) END AS clamps_left_on,
    minutes.on_mains AS mains_minutes,
    minutes.power_known AS power_known_minutes
FROM minutes
LEFT JOIN alarms_cleared
    ON minutes.site = alarms_cleared.site
    AND minutes.unit IS NOT DISTINCT FROM alarms_cleared.unit
    AND minutes.month IS NOT DISTINCT FROM alarms_cleared.month
LEFT JOIN clamps
    ON minutes.site = clamps.site
    AND minutes.unit IS NOT DISTINCT FROM clamps.unit
    AND minutes.month IS NOT DISTINCT FROM clamps.month
ORDER BY
    minutes.site,
    minutes.unit,
    minutes.month;
