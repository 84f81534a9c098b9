-- Which wards' rates of prolonged leak lie beyond the funnel?
--
-- Definition: every ward with its rate about that of all, exact binomial 95 % and 99.8 % limits for its own
--   number.
-- Awkward cases: one ward in twenty lies beyond the inner limits by chance. Nothing is adjusted for whom a
--   ward operates on. `too_small`: fewer evaluable than chart.least_evaluable, or no count at all could be
--   outside. A null ward holds drains that no registry knows.
SELECT
    site,
    unit,
    evaluable,
    prolonged,
    unknown,
    rate,
    limit_95_low,
    limit_95_high,
    limit_998_low,
    limit_998_high,
    outside_95,
    outside_998,
    too_small
FROM prolonged_leak_funnel
ORDER BY
    site,
    unit;
