-- How often does a tube look blocked, per 100 drain-days, ward by ward?
--
-- Counts stretches of suspected occlusion and, beside them, those with grade `probable` (an alert or a still
-- pressure agrees). Days are those of drains on which tidaling could be assessed. Missing tidaling has
-- several causes, a lung that is up among them: a suspicion is a reason to look, not a finding.
WITH assessed_drains AS (
    SELECT
        drain_id,
        site,
        unit,
        minutes_observed
    FROM drain
    WHERE occlusion_minutes IS NOT NULL
),
suspicions AS (
    SELECT
        drain_id,
        count(*) AS suspected,
        count(*) FILTER (WHERE grade = 'probable') AS probable
    FROM period
    WHERE kind = 'occlusion_suspected'
    GROUP BY drain_id
)
SELECT
    assessed_drains.site,
    assessed_drains.unit,
    count(*) AS drains,
    sum(assessed_drains.minutes_observed) / 1440 AS drain_days,
    coalesce(sum(suspicions.suspected), 0)::BIGINT AS suspected,
    coalesce(sum(suspicions.probable), 0)::BIGINT AS probable,
    coalesce(sum(suspicions.suspected), 0) * 144000 / nullif(sum(assessed_drains.minutes_observed), 0)
        AS suspected_per_100_days
FROM assessed_drains
LEFT JOIN suspicions
    ON assessed_drains.drain_id = suspicions.drain_id
GROUP BY
    assessed_drains.site,
    assessed_drains.unit
ORDER BY
    suspected_per_100_days DESC NULLS LAST,
    assessed_drains.site,
    assessed_drains.unit;
