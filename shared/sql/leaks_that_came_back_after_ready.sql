-- How often did a leak come back within 24 hours after a removal rule was first fulfilled?
--
-- Definition: of drains that became ready and were watched long enough to tell, those whose leak came back
--   (definitions: readiness), by rule, with exact interval.
-- Awkward cases: drains not watched for 24 hours after, most of them because the tube was out, are
--   `not_told` and in neither number: they are not like the others. Both bounds stand beside. No rule is a
--   recommendation, and a drain that still leaks is never clamped on the strength of this.
SELECT
    rule,
    count(ready_at) AS became_ready,
    count(leak_returned_within_24h) AS told,
    count(*) FILTER (WHERE leak_returned_within_24h) AS came_back,
    count(ready_at) - count(leak_returned_within_24h) AS not_told,
    count(*) FILTER (WHERE leak_returned_within_24h) / nullif(count(leak_returned_within_24h), 0) AS share,
    exact_low(count(*) FILTER (WHERE leak_returned_within_24h), count(leak_returned_within_24h))
        AS share_low,
    exact_high(count(*) FILTER (WHERE leak_returned_within_24h), count(leak_returned_within_24h))
        AS share_high,
    count(*) FILTER (WHERE leak_returned_within_24h) / nullif(count(ready_at), 0) AS share_if_others_did_not,
    (count(*) FILTER (WHERE leak_returned_within_24h) + count(ready_at) - count(leak_returned_within_24h))
        / nullif(count(ready_at), 0) AS share_if_others_did
FROM readiness
GROUP BY rule
ORDER BY rule;
