-- How the prolonged-leak rate moves with what one takes for granted, by definition, by site and overall.
--
-- Rows: each definition of a prolonged leak (more than 5 days, which is published in `drain`; more than 7;
--   past postoperative day 5 by the calendar), then the published one with a single figure moved: which, and
--   to what, stands in `moved`.
-- Columns: of operations (drains where patients are not known) the rate with the unknowns left out (Wilson
--   interval), all of them no, all of them yes; then what the curves of leak duration say of the same
--   threshold, by Kaplan-Meier and with death and transfer as competing events (Aalen-Johansen).
-- Awkward cases: a rate needs somebody evaluable, a curve somebody watched so far; else null. A threshold of
--   the calendar lies at no one number of hours, so no curve is read for it. The rates judge whether a leak
--   spans the threshold, the curves when its last stretch ended: they answer nearly, not quite, the same.
CREATE VIEW leak_sensitivity AS
WITH tally AS (
    SELECT
        counted.definition,
        any_value(counted.moved) AS moved,
        counted.site,
        count(*) AS counted,
        count(*) FILTER (WHERE counted.prolonged_leak <> 'unknown') AS evaluable,
        count(*) FILTER (WHERE counted.prolonged_leak = 'yes') AS prolonged,
        count(*) FILTER (WHERE counted.prolonged_leak = 'unknown') AS unknown
    FROM counted_outcome AS counted
    GROUP BY GROUPING SETS (
        (counted.definition),
        (counted.definition, counted.site)
    )
)
SELECT
    tally.definition,
    tally.moved,
    tally.site,
    tally.counted,
    tally.evaluable,
    tally.prolonged,
    tally.unknown,
    tally.prolonged / nullif(tally.evaluable, 0) AS rate,
    wilson_low(tally.prolonged, tally.evaluable) AS rate_low,
    wilson_high(tally.prolonged, tally.evaluable) AS rate_high,
    tally.prolonged / tally.counted AS rate_if_unknown_no,
    (tally.prolonged + tally.unknown) / tally.counted AS rate_if_unknown_yes,
    reached.hours,
    reached.watched,
    reached.kaplan_meier,
    reached.kaplan_meier_low,
    reached.kaplan_meier_high,
    reached.still_leaking,
    reached.still_leaking_low,
    reached.still_leaking_high,
    reached.incidence,
    reached.incidence_low,
    reached.incidence_high,
    reached.competing_incidence
FROM tally
LEFT JOIN leak_at_threshold AS reached
    ON tally.definition = reached.definition
    AND tally.site IS NOT DISTINCT FROM reached.site
ORDER BY
    tally.moved IS NOT NULL,
    tally.definition,
    tally.site;
