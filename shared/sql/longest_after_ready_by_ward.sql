-- Which wards keep drains longest after they could have come out?
--
-- Definition: by one removal rule, hours between ready (the rule held without break up to the removal) and
--   removed, of drains whose tube is known to have come out; those removed before the rule held, and those
--   of which neither can be told (`untold`), stand beside.
-- Which rule: the first by name. For another put its name, in quotes, in place of the bracket after
--   `readiness.rule =`; SELECT DISTINCT rule FROM readiness lists them. Each rule answers differently and none
--   is a recommendation.
-- Awkward cases: patients who died, left with the drain in or had it replaced are not counted. Medians of
--   few drains jump: wards with fewer than chart.least_evaluable drains `ready` are `too_few` and stand last.
--   A delay has reasons that no log shows.
SELECT
    readiness.rule,
    drain.site,
    drain.unit,
    count(*) AS removed,
    count(readiness.hours_ready_before_removal) AS ready,
    count(*) FILTER (WHERE readiness.removed_before_ready) AS removed_before_ready,
    count(*) FILTER (
        WHERE readiness.hours_ready_before_removal IS NULL
            AND readiness.removed_before_ready IS DISTINCT FROM true
    ) AS untold,
    median(readiness.hours_ready_before_removal) AS delay_median_hours,
    quantile_cont(readiness.hours_ready_before_removal, 0.9) AS delay_p90_hours,
    count(readiness.hours_ready_before_removal) < figure('chart.least_evaluable') AS too_few
FROM readiness
INNER JOIN drain
    ON readiness.drain_id = drain.drain_id
WHERE came_out(drain.tube_out_at, drain.removal_reason)
    AND readiness.rule = (SELECT min(every.rule) FROM readiness AS every)
GROUP BY
    readiness.rule,
    drain.site,
    drain.unit
ORDER BY
    too_few,
    delay_median_hours DESC NULLS LAST,
    drain.site,
    drain.unit;
