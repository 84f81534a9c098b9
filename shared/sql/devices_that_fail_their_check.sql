-- Which devices fail their self-check, and how often?
--
-- Definition: alerts self_check_failed per use that began, over all months; devices with at least one.
-- Awkward cases: months whose logs say nothing of alerts are left out, in both numbers, and counted as
--   `months_silent`. A failed check means reassembling and checking again: a device that fails often may be
--   assembled in a hurry rather than be broken. Few uses, wide interval.
SELECT
    site,
    device,
    sum(uses) FILTER (WHERE failed_checks IS NOT NULL)::BIGINT AS uses,
    sum(failed_checks)::BIGINT AS failed_checks,
    sum(failed_checks) / nullif(sum(uses) FILTER (WHERE failed_checks IS NOT NULL), 0) AS failed_per_use,
    poisson_low(sum(failed_checks)) / nullif(sum(uses) FILTER (WHERE failed_checks IS NOT NULL), 0)
        AS failed_per_use_low,
    poisson_high(sum(failed_checks)) / nullif(sum(uses) FILTER (WHERE failed_checks IS NOT NULL), 0)
        AS failed_per_use_high,
    sum(battery_low)::BIGINT AS battery_low,
    count(*) FILTER (WHERE failed_checks IS NULL) AS months_silent
FROM device_use
GROUP BY
    site,
    device
HAVING sum(failed_checks) > 0
ORDER BY
    failed_checks DESC,
    site,
    device;
