-- Where do registry and logs contradict each other, and what belongs to nobody?
--
-- Definition: every finding about the registry, what staff noted against what the log shows, or a device's
--   clock, most minutes first; the words are explained in the comment of data_quality.finding.
-- Awkward cases: minutes without a drain are kept and reported, never dropped. A finding without minutes is
--   no less serious: a drain without any log has none to count.
SELECT
    finding,
    site,
    device,
    drain_id,
    minutes,
    detail
FROM data_quality
WHERE finding IS NOT NULL
ORDER BY
    minutes DESC NULLS LAST,
    finding,
    site,
    device,
    drain_id,
    detail;
