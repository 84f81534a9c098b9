-- Which months' rates of prolonged leak lie beyond what chance does to their baseline?
--
-- Definition: months beyond the exact 99.8 % limits of their own number, about the site's frozen baseline.
--   No run rules: for those, prolonged_leak_signals(rules := ['beyond_limits', 'long_run']); chart_rule
--   lists them with their sources.
-- Awkward cases: provisional months are not judged. Chance alone puts one month in 500 outside, at most.
--   `too_small` and `baseline_too_small` say where limits are wide or the centre is hardly known. A month
--   outside is a question: look at who was operated on before looking for a fault.
SELECT
    signals.site,
    signals.month,
    signals.evaluable,
    signals.prolonged,
    signals.rate,
    chart.limit_low,
    chart.limit_high,
    signals.centre,
    chart.baseline,
    chart.baseline_from,
    chart.baseline_through,
    signals.too_small,
    chart.baseline_too_small
FROM prolonged_leak_signals() AS signals
INNER JOIN prolonged_leak_chart AS chart
    ON signals.site = chart.site
    AND signals.month = chart.month
ORDER BY
    signals.site,
    signals.month;
