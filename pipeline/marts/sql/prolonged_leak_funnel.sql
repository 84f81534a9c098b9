-- Funnel of the prolonged-leak rate, by unit (ward).
--
-- Centre: the rate over all units of all sites. Limits: exact binomial about it for each unit's own
--   number, at the definitions' level (95 %) and outer level (99.8 %); after Spiegelhalter 2005, Stat Med
--   24:1185, without interpolation between whole counts.
-- One unit in twenty lies beyond the inner limits by chance. Units differ in whom they operate on and
--   nothing here is adjusted for that: a unit outside is a question, not an answer.
-- Awkward cases: drains without a registry have no unit and stand together, by site, under null.
CREATE VIEW prolonged_leak_funnel AS
WITH tally AS (
    SELECT
        counted.site,
        counted.unit,
        count(*) FILTER (WHERE counted.prolonged_leak <> 'unknown') AS evaluable,
        count(*) FILTER (WHERE counted.prolonged_leak = 'yes') AS prolonged
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
        figure('statistics.outer_level') AS outer_level
)
SELECT
    centred.site,
    centred.unit,
    centred.evaluable,
    centred.prolonged,
    centred.prolonged / nullif(centred.evaluable, 0) AS rate,
    centred.centre,
    binomial_quantile((1 - levels.level) / 2, centred.evaluable, centred.centre)
        / nullif(centred.evaluable, 0) AS limit_95_low,
    binomial_quantile((1 + levels.level) / 2, centred.evaluable, centred.centre)
        / nullif(centred.evaluable, 0) AS limit_95_high,
    binomial_quantile((1 - levels.outer_level) / 2, centred.evaluable, centred.centre)
        / nullif(centred.evaluable, 0) AS limit_998_low,
    binomial_quantile((1 + levels.outer_level) / 2, centred.evaluable, centred.centre)
        / nullif(centred.evaluable, 0) AS limit_998_high
FROM centred
CROSS JOIN levels
ORDER BY
    centred.site,
    centred.unit;
