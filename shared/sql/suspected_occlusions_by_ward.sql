-- How often does a tube look blocked, per 100 drain-days, ward by ward?
--
-- Definition: stretches of suspected occlusion of any grade; beside them those of grade `probable` (an
--   alert or a still pressure agrees). Days are those of drains on which tidaling could be assessed.
-- Interval: exact Poisson (Garwood). It takes stretches for independent; several on one drain are not, so
--   look at `drains_suspected` before trusting a narrow one.
-- Awkward cases: a ward with no such days has a null rate. A short stay says little: one suspicion in 20
--   days is anything from 0.1 to 28 per 100. Missing tidaling has several causes, a sealed and expanded
--   lung among them: a suspicion is a reason to look, not a finding.
SELECT
    site,
    unit,
    sum(drains)::BIGINT AS drains,
    sum(drains_suspected)::BIGINT AS drains_suspected,
    sum(assessed_minutes) / 1440 AS drain_days,
    sum(suspected)::BIGINT AS suspected,
    sum(probable)::BIGINT AS probable,
    sum(suspected) * 144000 / nullif(sum(assessed_minutes), 0) AS suspected_per_100_days,
    poisson_low(sum(suspected)) * 144000 / nullif(sum(assessed_minutes), 0) AS per_100_days_low,
    poisson_high(sum(suspected)) * 144000 / nullif(sum(assessed_minutes), 0) AS per_100_days_high
FROM suspected_occlusions
GROUP BY
    site,
    unit
ORDER BY
    suspected_per_100_days DESC NULLS LAST,
    site,
    unit;
