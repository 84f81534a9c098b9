-- Which drains' numbers moved in the last load, and why?
--
-- Definition: every value of `drain` that differs from the publication before, with its cause: new or
--   withdrawn files, a registry, an annotation, a changed definition, changed code. A drain that came or
--   went is one row with the column drain_id.
-- Awkward cases: a first publication changes nothing. Where two causes came in one load the stronger is
--   named (code, definition, registry, annotation, file in this order). Null: not known, as after a load
--   that was killed.
SELECT
    change.cause,
    drain.site,
    drain.unit,
    change.drain_id,
    change."column",
    change.before,
    change.after
FROM change
LEFT JOIN drain
    ON change.drain_id = drain.drain_id
ORDER BY
    change.cause,
    drain.site,
    drain.unit,
    change.drain_id,
    change."column";
