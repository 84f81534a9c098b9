-- After which procedures do leaks last longest?
--
-- Definition: by procedure in the site's own words: rate of prolonged leak (Wilson), median duration of the
--   leak (Kaplan-Meier, Brookmeyer-Crowley interval), mean up to 7 days; all sites together.
-- Awkward cases: a median that was not reached is null: more than half still leaked. A null procedure holds
--   those that no registry names. Procedures with fewer than chart.least_evaluable watched or
--   evaluable are `too_few` and stand last. Groups differ in more than the procedure; leak_comparison has
--   the log-rank test.
SELECT
    stratum AS procedure,
    counted,
    evaluable,
    prolonged,
    unknown,
    rate,
    rate_low,
    rate_high,
    watched,
    median_hours,
    median_low_hours,
    median_high_hours,
    mean_hours,
    least(evaluable, watched) < figure('chart.least_evaluable') AS too_few
FROM leak_by_stratum
WHERE grouped_by = 'procedure'
ORDER BY
    too_few,
    mean_hours DESC NULLS LAST,
    procedure;
