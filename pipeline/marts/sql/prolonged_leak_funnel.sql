-- Funnel of the prolonged-leak rate, by unit (ward).
--
-- Centre: the rate over all units of all sites. Limits: exact binomial about it for each unit's own
--   number, at the definitions' level (95 %) and outer level (99.8 %); after Spiegelhalter 2005, Stat Med
--   24:1185, without interpolation between whole counts.
-- One unit in twenty lies beyond the inner limits by chance, one in five hundred beyond the outer. Units
--   differ in whom they operate on and nothing here is adjusted for that: a unit outside is a question, not
--   an answer.
-- Awkward cases: `too_small`: fewer evaluable than the definitions' least, or no count at all could be beyond
--   the outer limits. A centre of 0 or 1 says nothing about chance: no limits. A provisional unit has
--   operations that have not had their time: some of its long leaks are still to come. Drains without a
--   registry have no unit and stand together, by site, under null.
CREATE VIEW prolonged_leak_funnel AS
WITH tally AS (
    SELECT
        counted.site,
        counted.unit,
        count(*) AS counted,
        count(*) FILTER (WHERE counted.prolonged_leak <> 'unknown') AS evaluable,
        count(*) FILTER (WHERE counted.prolonged_leak = 'yes') AS prolonged,
        count(*) FILTER (WHERE counted.prolonged_leak = 'unknown') AS unknown,
        bool_or(NOT counted.had_its_time) AS provisional
    FROM prolonged_leak_counted AS counted
    GROUP BY
        counted.site,
        counted.unit
),
centred AS (
    SELECT
        tally.*,
        (sum(tally.prolonged) OVER ())::DOUBLE / nullif((sum(tally.evaluable) OVER ())::DOUBLE, 0) AS centre
    FROM tally
),
levels AS (
    SELECT
        figure('statistics.level') AS level,
        figure('statistics.outer_level') AS outer_level,
        figure('chart.least_evaluable') AS least_evaluable
),
expected AS (
    SELECT
        centred.*,
        levels.*,
        CASE WHEN centred.centre > 0 AND centred.centre < 1 THEN centred.centre END AS chance
    FROM centred
    CROSS JOIN levels
),
limited AS (
    SELECT
        expected.*,
        binomial_quantile((1 - expected.level) / 2, expected.evaluable, expected.chance) AS least,
        binomial_quantile((1 + expected.level) / 2, expected.evaluable, expected.chance) AS most,
        binomial_quantile((1 - expected.outer_level) / 2, expected.evaluable, expected.chance) AS outer_least,
        binomial_quantile((1 + expected.outer_level) / 2, expected.evaluable, expected.chance) AS outer_most
    FROM expected
)
SELECT
    limited.site,
    limited.unit,
    limited.counted,
    limited.evaluable,
    limited.prolonged,
    limited.unknown,
    limited.prolonged / nullif(limited.evaluable, 0) AS rate,
    limited.centre,
    limited.least / nullif(limited.evaluable, 0) AS limit_95_low,
    limited.most / nullif(limited.evaluable, 0) AS limit_95_high,
    limited.outer_least / nullif(limited.evaluable, 0) AS limit_998_low,
    limited.outer_most / nullif(limited.evaluable, 0) AS limit_998_high,
    limited.prolonged < limited.least OR limited.prolonged > limited.most AS outside_95,
    limited.prolonged < limited.outer_least OR limited.prolonged > limited.outer_most AS outside_998,
    limited.provisional,
    limited.evaluable < limited.least_evaluable
        OR coalesce(limited.outer_least = 0 AND limited.outer_most = limited.evaluable, false)
        AS too_small
FROM limited
ORDER BY
    limited.site,
    limited.unit;
