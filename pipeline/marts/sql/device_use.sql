-- What each device did, by local month: how much it was used, and what it rang.
--
-- Uses count in the month they began, alerts in the month they began, hours in the month they were
--   observed; months are those of the site's calendar. Minutes of no drain count here as well.
-- Failed checks and battery-low are alerts the device rang, not a judgement of its condition.
-- Awkward cases: a month in which no use of the device is known to have logged alerts has null alerts,
--   not nought. A use is known to log them when it rang one, or a drain it served could count them.
INSERT INTO device_use
WITH uses_begun AS (
    SELECT
        begun.site,
        begun.device,
        begun.began_month AS month,
        count(*) AS uses
    FROM use_by_month AS begun
    GROUP BY
        begun.site,
        begun.device,
        begun.began_month
),
hours_observed AS (
    SELECT
        data_quality.site,
        data_quality.device,
        date_trunc('month', data_quality.day)::DATE AS month,
        sum(data_quality.minutes_observed)::BIGINT AS minutes
    FROM data_quality
    WHERE data_quality.scope = 'device_day'
    GROUP BY
        data_quality.site,
        data_quality.device,
        date_trunc('month', data_quality.day)::DATE
),
alerts_begun AS (
    SELECT
        rang.site,
        rang.device,
        rang.month,
        count(*) AS alerts,
        count(*) FILTER (WHERE rang.code = 'self_check_failed') AS failed_checks,
        count(*) FILTER (WHERE rang.code = 'battery_low') AS battery_low
    FROM alert_by_month AS rang
    GROUP BY
        rang.site,
        rang.device,
        rang.month
),
uses_that_log_alerts AS (
    SELECT rang.use_id
    FROM alert_by_month AS rang
    UNION
    SELECT drain_use.use_id
    FROM drain_use
    INNER JOIN drain
        ON drain_use.drain_id = drain.drain_id
    WHERE drain.alert_count IS NOT NULL
),
months AS (
    SELECT uses_begun.site, uses_begun.device, uses_begun.month FROM uses_begun
    UNION
    SELECT hours_observed.site, hours_observed.device, hours_observed.month FROM hours_observed
    UNION
    SELECT alerts_begun.site, alerts_begun.device, alerts_begun.month FROM alerts_begun
),
months_that_log_alerts AS (
    SELECT DISTINCT
        months.site,
        months.device,
        months.month
    FROM months
    INNER JOIN use_by_month AS used
        ON months.site = used.site
        AND months.device = used.device
        AND months.month BETWEEN used.began_month AND used.ended_month
    INNER JOIN uses_that_log_alerts
        ON used.use_id = uses_that_log_alerts.use_id
)
SELECT
    months.site,
    months.device,
    months.month,
    coalesce(uses_begun.uses, 0)::INTEGER AS uses,
    hours_observed.minutes / 60 AS hours,
    CASE WHEN telling.month IS NOT NULL THEN coalesce(alerts_begun.alerts, 0) END AS alerts,
    CASE WHEN telling.month IS NOT NULL THEN coalesce(alerts_begun.failed_checks, 0) END AS failed_checks,
    CASE WHEN telling.month IS NOT NULL THEN coalesce(alerts_begun.battery_low, 0) END AS battery_low
FROM months
LEFT JOIN uses_begun
    ON months.site = uses_begun.site
    AND months.device = uses_begun.device
    AND months.month = uses_begun.month
LEFT JOIN hours_observed
    ON months.site = hours_observed.site
    AND months.device = hours_observed.device
    AND months.month = hours_observed.month
LEFT JOIN alerts_begun
    ON months.site = alerts_begun.site
    AND months.device = alerts_begun.device
    AND months.month = alerts_begun.month
LEFT JOIN months_that_log_alerts AS telling
    ON months.site = telling.site
    AND months.device = telling.device
    AND months.month = telling.month
ORDER BY
    months.site,
    months.device,
    months.month;
