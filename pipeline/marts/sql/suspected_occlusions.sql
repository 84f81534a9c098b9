-- How often a tube looks blocked: by unit and local month of the origin, per 100 drain-days.
--
-- Counted: stretches of suspected occlusion of any grade; beside them those of grade `probable` (an alert or
--   a still pressure agrees) and those that staff noted themselves, and how many drains had any.
-- Days: 1440 observed minutes, of drains on which tidaling could be assessed at all; on the others a
--   suspicion could not have been raised.
-- Interval: exact Poisson (Garwood 1936), at the definitions' level. It takes stretches for independent;
--   several on one drain are not, so compare `drains_suspected` before trusting a narrow one.
-- Awkward cases: a unit none of whose drains could be assessed has no days and a null rate. Missing tidaling
--   has several causes, a sealed and expanded lung among them: a suspicion is a reason to look.
CREATE VIEW suspected_occlusions AS
WITH suspicions AS (
    SELECT
        period.drain_id,
        count(*) AS suspected,
        count(*) FILTER (WHERE period.grade = 'probable') AS probable,
        count(*) FILTER (WHERE period.grade = 'annotated') AS annotated
    FROM period
    WHERE period.kind = 'occlusion_suspected'
    GROUP BY period.drain_id
),
tally AS (
    SELECT
        drain.site,
        drain.unit,
        date_trunc('month', drain.origin_day)::DATE AS month,
        count(*)::INTEGER AS drains,
        count(drain.occlusion_minutes) AS drains_assessed,
        count(suspicions.drain_id) AS drains_suspected,
        coalesce(sum(drain.minutes_observed) FILTER (WHERE drain.occlusion_minutes IS NOT NULL), 0)::BIGINT
            AS assessed_minutes,
        coalesce(sum(suspicions.suspected), 0)::BIGINT AS suspected,
        coalesce(sum(suspicions.probable), 0)::BIGINT AS probable,
        coalesce(sum(suspicions.annotated), 0)::BIGINT AS annotated
    FROM drain
    LEFT JOIN suspicions
        ON drain.drain_id = suspicions.drain_id
    GROUP BY
        drain.site,
        drain.unit,
        date_trunc('month', drain.origin_day)
)
SELECT
    tally.site,
    tally.unit,
    tally.month,
    tally.drains,
    tally.drains_assessed,
    tally.drains_suspected,
    tally.assessed_minutes,
    tally.assessed_minutes / 1440 AS drain_days,
    tally.suspected,
    tally.probable,
    tally.annotated,
    tally.suspected * 144000 / nullif(tally.assessed_minutes, 0) AS suspected_per_100_days,
    poisson_low(tally.suspected) * 144000 / nullif(tally.assessed_minutes, 0) AS per_100_days_low,
    poisson_high(tally.suspected) * 144000 / nullif(tally.assessed_minutes, 0) AS per_100_days_high
FROM tally
ORDER BY
    tally.site,
    tally.unit,
    tally.month;
