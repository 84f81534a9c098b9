-- One row a minute of a drain, from the lake's course files as they were at publishing.
--
-- A device use belongs to a drain from `from_at` to `until_at` (exclusive); a use that served two drains
--   of one patient gives its minutes to both, and minutes of no drain appear in none.
-- Fluid: the use's output plus what the drain had put out before the use (negative where the use began
--   for somebody else); never negative, and null where either is unknown. In a minute whose volume was not
--   read (tilt, a hole, a blank) it is the last reading's: a floor, not what had come by then. `volume_read`
--   tells the two apart.
-- Notes: `annotations` has the kinds of what staff noted of the minute, never their words. A flag that rests on
--   such a note alone stands in `period` with the grade annotated. Where the log contradicts the note
--   (`against_log`) the flag stays, and the minute counts for the lung all the same.
-- Local time is `minute` + `utc_offset_minutes`; a clock step lies before a minute that `clock_step` marks.
-- Minutes the log should have and has not are there, with null readings and the flag no_data.
CREATE VIEW minute AS
SELECT
    drain_use.drain_id,
    course.minute::TIMESTAMPTZ AS minute,
    course.state::VARCHAR AS state,
    course.set_pressure_cmh2o::DOUBLE AS set_pressure_cmh2o,
    course.pressure_mean_cmh2o::DOUBLE AS pressure_mean_cmh2o,
    course.pressure_min_cmh2o::DOUBLE AS pressure_min_cmh2o,
    course.pressure_max_cmh2o::DOUBLE AS pressure_max_cmh2o,
    course.air_leak_ml_min::DOUBLE AS air_leak_ml_min,
    CASE
        WHEN course.output_ml + drain_use.output_before_ml < 0 THEN 0::DOUBLE
        ELSE (course.output_ml + drain_use.output_before_ml)::DOUBLE
    END AS output_ml,
    course.volume_read::BOOLEAN AS volume_read,
    course.tilt_deg::DOUBLE AS tilt_deg,
    course.tidaling::VARCHAR AS tidaling,
    course.tidaling_basis::VARCHAR AS tidaling_basis,
    course.swing_cmh2o::DOUBLE AS swing_cmh2o,
    course.breath_rate_per_min::DOUBLE AS breath_rate_per_min,
    course.flags::VARCHAR[] AS flags,
    course.annotations::VARCHAR[] AS annotations,
    course.against_log::VARCHAR[] AS against_log,
    course.leak_median_ml_min::DOUBLE AS leak_median_ml_min,
    course.utc_offset_minutes::INTEGER AS utc_offset_minutes,
    course.clock_step::BOOLEAN AS clock_step,
    course.clock_step_minutes::INTEGER AS clock_step_minutes
FROM $course AS course
INNER JOIN drain_use
    ON course.use_id = drain_use.use_id
    AND course.minute >= drain_use.from_at
    AND course.minute < drain_use.until_at;
