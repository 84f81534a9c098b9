-- A figure of the definitions, by section and name: figure('prolonged_leak.threshold').
--
-- Thresholds live in definitions.toml and nowhere else; every view that needs one reads it here, from
--   the table `definition`, which holds the values this database was made with.
-- A name that is not there gives null, and so does everything computed from it.
CREATE MACRO figure(wanted) AS (
    SELECT definition.value
    FROM definition
    WHERE definition.name = wanted
);
