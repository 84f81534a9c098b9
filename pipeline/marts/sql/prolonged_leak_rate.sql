-- Prolonged air leak rate, by site, unit, procedure and local month of the origin.
--
-- Numerator: operations (drains where patients are not known) whose leak went on for more than 5 days
--   after the origin (Society of Thoracic Surgeons database definition; the threshold is the
--   definitions').
-- Denominator: those for which that could be told. The others are `unknown`: counted beside the rate,
--   never in it; the last two rates say where it would lie if every unknown were a no, or a yes.
-- Interval: Wilson, at the definitions' level (95 %).
-- Awkward cases: none evaluable gives a null rate; no ward, procedure or local day gives null there and
--   a row of its own, so that the counts add up to all drains. Provisional: the site's own logs do not yet
--   reach past the month by the definition's time. Rows of several sites put together are provisional as
--   long as one of them is.
CREATE VIEW prolonged_leak_rate AS
WITH tally AS (
    SELECT
        counted.site,
        counted.unit,
        counted.procedure,
        counted.month,
        count(*) AS counted,
        sum(counted.drains)::INTEGER AS drains,
        count(*) FILTER (WHERE counted.prolonged_leak <> 'unknown') AS evaluable,
        count(*) FILTER (WHERE counted.prolonged_leak = 'yes') AS prolonged,
        count(*) FILTER (WHERE counted.prolonged_leak = 'unknown') AS unknown,
        bool_or(NOT counted.month_complete) AS provisional
    FROM prolonged_leak_counted AS counted
    GROUP BY
        counted.site,
        counted.unit,
        counted.procedure,
        counted.month
)
SELECT
    tally.site,
    tally.unit,
    tally.procedure,
    tally.month,
    tally.counted,
    tally.drains,
    tally.evaluable,
    tally.prolonged,
    tally.unknown,
    tally.prolonged / nullif(tally.evaluable, 0) AS rate,
    wilson_low(tally.prolonged, tally.evaluable) AS rate_low,
    wilson_high(tally.prolonged, tally.evaluable) AS rate_high,
    tally.prolonged / tally.counted AS rate_if_unknown_no,
    (tally.prolonged + tally.unknown) / tally.counted AS rate_if_unknown_yes,
    tally.provisional
FROM tally
ORDER BY
    tally.site,
    tally.unit,
    tally.procedure,
    tally.month;
