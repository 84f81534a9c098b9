-- Which files did not load last night, or not whole, and why?
--
-- Definition: rejected or partial files taken in during the 24 hours up to when this database was built.
-- Awkward cases: a file's name stays in the private store, for names can hold patients' names; `drainledger
--   rejected --file` with the digest shows it, and the lines. A file that was rejected and loads now, with
--   a new profile, is `loaded` and no longer listed.
SELECT
    load_file.loaded_at,
    load_file.status,
    load_file.site,
    load_file.device,
    load_file.rows_read,
    load_file.rows_rejected,
    load_file.reason,
    load_file.file_sha256
FROM load_file
CROSS JOIN provenance
WHERE load_file.status IN ('rejected', 'partial')
    AND load_file.loaded_at > provenance.built_at - INTERVAL 24 HOURS
ORDER BY
    load_file.loaded_at DESC,
    load_file.file_sha256;
