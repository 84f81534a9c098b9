-- How often does a leak go on for more than 5 days, ward by ward and month by month?
--
-- Definition: operations (drains where patients are not known) of all procedures together whose leak went
--   on past the published threshold, of those for whom it could be told; Wilson interval.
-- Awkward cases: `unknown` are beside the rate and never in it; rate_if_unknown_no and rate_if_unknown_yes
--   say where it would lie if all of them were a no, or a yes. Provisional months will still move,
--   and several sites put together are provisional as long as one is. A null
--   ward holds drains that no registry knows, a null month those whose local day is not known.
SELECT
    site,
    unit,
    month,
    sum(counted)::BIGINT AS counted,
    sum(evaluable)::BIGINT AS evaluable,
    sum(prolonged)::BIGINT AS prolonged,
    sum(unknown)::BIGINT AS unknown,
    sum(prolonged) / nullif(sum(evaluable), 0) AS rate,
    wilson_low(sum(prolonged), sum(evaluable)) AS rate_low,
    wilson_high(sum(prolonged), sum(evaluable)) AS rate_high,
    sum(prolonged) / sum(counted) AS rate_if_unknown_no,
    (sum(prolonged) + sum(unknown)) / sum(counted) AS rate_if_unknown_yes,
    bool_or(provisional) AS provisional
FROM prolonged_leak_rate
GROUP BY ALL
ORDER BY
    site,
    unit,
    month;
