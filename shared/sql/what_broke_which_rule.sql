-- What is wrong with the files we are sent, and how often?
--
-- Definition: rejected files, rows and cells by site, column and the rule they broke, with how many files
--   it is in and the shape of one value (9 a digit, a a letter).
-- Awkward cases: a rejected cell became null and its row was kept. Values themselves stay in the private
--   store: `drainledger rejected` shows them. Rules are listed even of files that were withdrawn since.
SELECT
    load_file.site,
    load_file.profile,
    rejected_row.scope,
    rejected_row."column",
    rejected_row.rule,
    count(*) AS times,
    count(DISTINCT rejected_row.file_sha256) AS files,
    min(rejected_row.value_shape) AS one_shape
FROM rejected_row
LEFT JOIN load_file
    ON rejected_row.file_sha256 = load_file.file_sha256
GROUP BY
    load_file.site,
    load_file.profile,
    rejected_row.scope,
    rejected_row."column",
    rejected_row.rule
ORDER BY
    times DESC,
    load_file.site,
    load_file.profile,
    rejected_row.scope,
    rejected_row."column",
    rejected_row.rule;
