-- How far does the rate of prolonged leak hang on how it is defined?
--
-- Definition: the published definition, the others beside it, and the published one with a single figure
--   moved (which, stands in `moved`): rate of those for whom it could be told, and both bounds for the
--   unknown. All sites.
-- Awkward cases: the bounds with all unknown a no, and all a yes, hold whatever became of them; the
--   interval does not cover that. `strict` presumes no removal: where no registry says how a drain ended it
--   is unknown there.
SELECT
    definition,
    moved,
    counted,
    evaluable,
    prolonged,
    unknown,
    rate,
    rate_low,
    rate_high,
    rate_if_unknown_no,
    rate_if_unknown_yes
FROM leak_sensitivity
WHERE site IS NULL
ORDER BY
    moved IS NOT NULL,
    definition;
