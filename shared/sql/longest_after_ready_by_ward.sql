-- Which wards keep drains longest after they could have come out?
--
-- Definition: by removal rule, hours between ready (the rule held without break up to the removal) and
--   removed, of drains whose tube is known to have come out; those removed before the rule held stand
--   beside.
-- Awkward cases: patients who died, left with the drain in or had it replaced are not counted. Where
--   neither ready nor not ready could be told the drain is in `removed` alone. Medians of few drains jump:
--   see `ready`. Each rule answers differently and none is a recommendation; a delay has reasons that no
--   log shows.
SELECT
    readiness.rule,
    drain.site,
    drain.unit,
    count(*) AS removed,
    count(readiness.hours_ready_before_removal) AS ready,
    count(*) FILTER (WHERE readiness.removed_before_ready) AS removed_before_ready,
    median(readiness.hours_ready_before_removal) AS delay_median_hours,
    quantile_cont(readiness.hours_ready_before_removal, 0.9) AS delay_p90_hours
FROM readiness
INNER JOIN drain
    ON readiness.drain_id = drain.drain_id
WHERE came_out(drain.tube_out_at, drain.removal_reason)
GROUP BY
    readiness.rule,
    drain.site,
    drain.unit
ORDER BY
    readiness.rule,
    delay_median_hours DESC NULLS LAST,
    drain.site,
    drain.unit;
