-- Alarms as a ward hears them: alerts that belong together are one, and those of a shared device count once.
--
-- One alarm: alerts of one code on one drain with less than handling.alarm_apart between them. An alert that
--   falls silent for some minutes because the device is tilted or a reading jitters was not dealt with. The
--   alerts themselves, as the log has them, stand in `alert`.
-- Minutes: from the first minute it rang to the last that was heard, the silence between its alerts with it.
-- To clear: the same, where the first of its alerts was heard to begin and the last to end; else null.
-- Shared uses: drains that share a device use hear one alarm; it is counted at the first of them by drain_id
--   (`drain_counted_as`), with that drain's ward and month.
-- Awkward cases: the silence may be a hole of the log: shorter than alarm_apart, it does not part an alarm.
CREATE VIEW alarm AS
WITH alerts AS (
    SELECT
        drain_counted_as.counted_id,
        alert.code,
        alert.started_at,
        alert.ended_at,
        greatest(alert.minutes, coalesce(alert.minutes_to_clear, 0)) AS minutes,
        alert.minutes_to_clear IS NOT NULL AS seen_whole,
        max(alert.ended_at) OVER (
            PARTITION BY
                drain_counted_as.counted_id,
                alert.code
            ORDER BY
                alert.started_at,
                alert.ended_at,
                alert.drain_id
            ROWS BETWEEN UNBOUNDED PRECEDING AND 1 PRECEDING
        ) AS last_ended_at,
        alert.drain_id
    FROM alert
    INNER JOIN drain_counted_as
        ON alert.drain_id = drain_counted_as.drain_id
),
alerts_numbered AS (
    SELECT
        alerts.*,
        count(*) FILTER (
            WHERE alerts.last_ended_at IS NULL
                OR (epoch(alerts.started_at) - epoch(alerts.last_ended_at)) / 60
                >= figure('handling.alarm_apart')
        ) OVER (
            PARTITION BY
                alerts.counted_id,
                alerts.code
            ORDER BY
                alerts.started_at,
                alerts.ended_at,
                alerts.drain_id
            ROWS BETWEEN UNBOUNDED PRECEDING AND CURRENT ROW
        ) AS alarm_no
    FROM alerts
),
bounds AS (
    SELECT
        alerts_numbered.counted_id,
        alerts_numbered.code,
        alerts_numbered.alarm_no,
        min(alerts_numbered.started_at) AS started_at,
        max(alerts_numbered.ended_at) AS ended_at
    FROM alerts_numbered
    GROUP BY
        alerts_numbered.counted_id,
        alerts_numbered.code,
        alerts_numbered.alarm_no
),
alarms AS (
    SELECT
        bounds.counted_id,
        bounds.code,
        bounds.started_at,
        bounds.ended_at,
        count(DISTINCT alerts_numbered.started_at) AS alerts,
        max(
            (epoch(alerts_numbered.started_at) - epoch(bounds.started_at)) / 60 + alerts_numbered.minutes
        )::INTEGER AS minutes,
        bool_or(alerts_numbered.seen_whole AND alerts_numbered.started_at = bounds.started_at)
        AND bool_or(alerts_numbered.seen_whole AND alerts_numbered.ended_at = bounds.ended_at)
            AS seen_whole
    FROM bounds
    INNER JOIN alerts_numbered
        ON bounds.counted_id = alerts_numbered.counted_id
        AND bounds.code = alerts_numbered.code
        AND bounds.alarm_no = alerts_numbered.alarm_no
    GROUP BY
        bounds.counted_id,
        bounds.code,
        bounds.started_at,
        bounds.ended_at
)
SELECT
    alarms.counted_id AS drain_id,
    drain.site,
    drain.unit,
    date_trunc('month', drain.origin_day)::DATE AS month,
    alarms.code,
    alarms.started_at,
    alarms.ended_at,
    alarms.alerts,
    alarms.minutes,
    CASE WHEN alarms.seen_whole THEN alarms.minutes END AS minutes_to_clear,
    alarms.minutes > figure('handling.alert_long') AS is_left_ringing
FROM alarms
INNER JOIN drain
    ON alarms.counted_id = drain.drain_id
ORDER BY
    alarms.counted_id,
    alarms.code,
    alarms.started_at;
