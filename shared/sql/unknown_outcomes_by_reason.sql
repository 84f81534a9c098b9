-- Why could it not be told whether a leak was prolonged?
--
-- Definition: drains whose outcome is unknown, by site and the reason in prolonged_leak_reason, and their
--   share of the site's drains.
-- Awkward cases: an unknown is never counted as a no. Some reasons are mended with a registry (still_in,
--   log_ends_leaking), some with an export that never came (no_log) or a fuller one (gap_spans_threshold,
--   too_little_data), some never (died, transferred_with_drain): the question tells which data to ask for.
--   no_log: not one minute of the drain is here. too_little_data speaks of minutes in which a leak could be
--   assessed: a log can hold every minute and still have too few of them where the device was paused, the
--   line open, clamped or blocked, or no leak was read.
SELECT
    drain.site,
    drain.prolonged_leak_reason AS reason,
    count(*) AS drains,
    count(*) / any_value(sites.drains) AS share_of_site,
    count(*) FILTER (WHERE drain.linked) AS linked
FROM drain
INNER JOIN (
    SELECT
        every.site,
        count(*) AS drains
    FROM drain AS every
    GROUP BY every.site
) AS sites
    ON drain.site = sites.site
WHERE drain.prolonged_leak = 'unknown'
GROUP BY
    drain.site,
    drain.prolonged_leak_reason
ORDER BY
    drain.site,
    drains DESC,
    reason;
