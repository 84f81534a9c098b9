-- Day by day: how many leaks have ended, by Kaplan-Meier and with death and transfer as competing events?
--
-- Definition: at each whole day after the origin, the last value of either curve up to then; of all sites.
--   `ended_kaplan_meier` is 1 less the curve: it treats those who died or were transferred as if their leak
--   could still have ended, and so lies above `ended`, which does not.
-- Awkward cases: a day before the first event has none ended; beyond the last time anybody was watched the
--   curves say nothing more and the last value is carried on, so `at_risk` stands beside: few at risk,
--   little said.
WITH days AS (
    SELECT unnest(range(0, 15)) AS day
),
told AS (
    SELECT
        days.day,
        max(leak_incidence.hours) AS hours
    FROM days
    LEFT JOIN leak_incidence
        ON leak_incidence.site IS NULL
        AND leak_incidence.hours <= days.day * 24
    GROUP BY days.day
)
SELECT
    told.day,
    (
        SELECT count(*)
        FROM leak_incidence AS later
        WHERE later.site IS NULL AND later.hours > told.day * 24
    ) AS times_still_to_come,
    leak_incidence.at_risk,
    coalesce(leak_incidence.incidence, 0) AS ended,
    leak_incidence.low AS ended_low,
    leak_incidence.high AS ended_high,
    coalesce(leak_incidence.still_leaking, 1) AS still_leaking,
    coalesce(1 - leak_incidence.incidence - leak_incidence.still_leaking, 0) AS died_or_transferred,
    coalesce(1 - leak_survival.still_leaking, 0) AS ended_kaplan_meier
FROM told
LEFT JOIN leak_incidence
    ON leak_incidence.site IS NULL
    AND leak_incidence.hours = told.hours
LEFT JOIN leak_survival
    ON leak_survival.site IS NULL
    AND leak_survival.hours = told.hours
WHERE EXISTS (SELECT 1 FROM leak_incidence)
ORDER BY told.day;
