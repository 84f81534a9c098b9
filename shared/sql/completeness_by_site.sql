-- How much of what should be in the ledger is there, site by site?
--
-- Definition: of drains, minutes observed of minutes expected (tube in to out where a registry says, else
--   first to last minute), added up; drains without any log; and of devices, minutes inside uses without a
--   row, minutes that exports disagree on, and clock steps.
-- Awkward cases: where no registry says when the tube went in and out a log cannot miss its own ends, so
--   completeness is too kind for unlinked drains: their share stands beside. A drain whose end is not
--   recorded has no expected minutes and is in neither sum.
WITH drains AS (
    SELECT
        drain.site,
        count(*) AS drains,
        count(*) FILTER (WHERE NOT drain.linked) AS unlinked,
        count(*) FILTER (WHERE drain.minutes_observed = 0) AS without_log,
        sum(drain.minutes_observed) FILTER (WHERE drain.minutes_expected IS NOT NULL) AS observed,
        sum(drain.minutes_expected) AS expected
    FROM drain
    GROUP BY drain.site
),
devices AS (
    SELECT
        data_quality.site,
        sum(data_quality.minutes_missing)::BIGINT AS minutes_missing,
        sum(data_quality.minutes_conflicting)::BIGINT AS minutes_conflicting,
        sum(data_quality.clock_steps)::BIGINT AS clock_steps
    FROM data_quality
    WHERE data_quality.scope = 'device_day'
    GROUP BY data_quality.site
)
SELECT
    coalesce(drains.site, devices.site) AS site,
    coalesce(drains.drains, 0) AS drains,
    coalesce(drains.unlinked, 0) AS unlinked,
    coalesce(drains.without_log, 0) AS without_log,
    drains.observed / nullif(drains.expected, 0) AS completeness,
    devices.minutes_missing,
    devices.minutes_conflicting,
    devices.clock_steps
FROM drains
FULL JOIN devices
    ON drains.site = devices.site
ORDER BY site;
