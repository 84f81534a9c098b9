-- What share of patients still leak at 120 hours, with death and transfer as competing events?
--
-- Definition: cumulative incidence (Aalen-Johansen) just past the published definition's threshold: ended,
--   died or transferred while leaking, and still leaking add up to 1. This is the figure for a report: it
--   needs no guess about who left our sight, and does not pretend that the dead might still stop leaking.
-- Beside it: Kaplan-Meier, in which death and transfer are censoring, and the rate with the unknown left
--   out.
-- Awkward cases: null where nobody was watched that far. A null site is all sites together.
SELECT
    site,
    hours,
    counted,
    unknown,
    watched,
    still_leaking,
    still_leaking_low,
    still_leaking_high,
    incidence AS ended,
    competing_incidence AS died_or_transferred,
    kaplan_meier,
    rate,
    rate_low,
    rate_high
FROM leak_sensitivity
WHERE moved IS NULL
    AND hours = figure('prolonged_leak.threshold')
ORDER BY
    definition,
    site;
