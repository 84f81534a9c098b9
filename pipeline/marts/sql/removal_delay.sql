-- Hours between ready and removed, by unit, local month of the origin and removal rule.
--
-- Drains: those whose tube is known to have come out (see came_out). A patient who died or left with the
--   drain in had no removal, and a tube without a recorded end may still be in: neither is counted.
-- Ready: the rule held without break up to the removal; the delay runs from the start of that stretch.
-- Removed before ready: the rule never held up to then. Where neither could be told, the drain is `untold`.
-- No rule is a recommendation, and a delay has reasons that no log shows: it counts hours, not faults.
CREATE VIEW removal_delay AS
WITH removed_drains AS (
    SELECT
        drain.drain_id,
        drain.site,
        drain.unit,
        date_trunc('month', drain.origin_day)::DATE AS month
    FROM drain
    WHERE came_out(drain.tube_out_at, drain.removal_reason)
)
SELECT
    removed_drains.site,
    removed_drains.unit,
    removed_drains.month,
    readiness.rule,
    count(*)::INTEGER AS drains,
    count(readiness.hours_ready_before_removal) AS ready,
    count(*) FILTER (WHERE readiness.removed_before_ready) AS removed_before_ready,
    count(*) FILTER (
        WHERE readiness.hours_ready_before_removal IS NULL
            AND readiness.removed_before_ready IS DISTINCT FROM true
    ) AS untold,
    median(readiness.hours_ready_before_removal)::DOUBLE AS delay_median_hours,
    quantile_cont(readiness.hours_ready_before_removal, 0.9)::DOUBLE AS delay_p90_hours
FROM removed_drains
INNER JOIN readiness
    ON removed_drains.drain_id = readiness.drain_id
GROUP BY
    removed_drains.site,
    removed_drains.unit,
    removed_drains.month,
    readiness.rule
ORDER BY
    removed_drains.site,
    removed_drains.unit,
    removed_drains.month,
    readiness.rule;
