-- p-chart of the prolonged-leak rate, by site and local month of the origin.
--
-- Centre: the site's rate over all its months. Limits: exact binomial, at the definitions' outer level
--   (99.8 %, what three standard deviations stand for) for each month's own number; after
--   Spiegelhalter 2005, Stat Med 24:1185, without interpolation between whole counts.
-- Outside: strictly beyond a limit, which chance alone does in at most 1 month of 1000 on either side.
-- Awkward cases: a month with none evaluable has no rate and no limits, and is not outside; small
--   numbers have wide limits, and where every count is likely enough nothing can be outside.
--   Provisional months still miss some of their long leaks.
CREATE VIEW prolonged_leak_chart AS
WITH tally AS (
    SELECT
        counted.site,
        counted.month,
        count(*) FILTER (WHERE counted.prolonged_leak <> 'unknown') AS evaluable,
        count(*) FILTER (WHERE counted.prolonged_leak = 'yes') AS prolonged,
        bool_or(NOT counted.had_its_time) AS provisional
    FROM prolonged_leak_counted AS counted
    GROUP BY
        counted.site,
        counted.month
),
centred AS (
    SELECT
        tally.*,
        (sum(tally.prolonged) OVER (PARTITION BY tally.site))::DOUBLE
            / nullif((sum(tally.evaluable) OVER (PARTITION BY tally.site))::DOUBLE, 0) AS centre
    FROM tally
),
levels AS (
    SELECT figure('statistics.outer_level') AS outer_level
),
limited AS (
    SELECT
        centred.*,
        binomial_quantile((1 - levels.outer_level) / 2, centred.evaluable, centred.centre) AS least_expected,
        binomial_quantile((1 + levels.outer_level) / 2, centred.evaluable, centred.centre) AS most_expected
    FROM centred
    CROSS JOIN levels
)
SELECT
    limited.site,
    limited.month,
    limited.evaluable,
    limited.prolonged,
    limited.prolonged / nullif(limited.evaluable, 0) AS rate,
    limited.centre,
    limited.least_expected / nullif(limited.evaluable, 0) AS limit_low,
    limited.most_expected / nullif(limited.evaluable, 0) AS limit_high,
    limited.prolonged < limited.least_expected OR limited.prolonged > limited.most_expected AS outside,
    limited.provisional
FROM limited
ORDER BY
    limited.site,
    limited.month;
