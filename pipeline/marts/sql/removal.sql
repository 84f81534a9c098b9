-- Did the tube come out of the patient? came_out(tube_out_at, removal_reason)
--
-- Yes where the registry has a time for it, unless the reason says that the patient went with the drain
--   in, died with it, or had it replaced by another: then the therapy did not end there.
-- A tube pulled by accident came out; nobody decided it, but the hours it stayed after it could have come
--   out were stayed. A time without a reason counts as out; no time as not known to be out.
CREATE MACRO came_out(tube_out_at, removal_reason) AS
    tube_out_at IS NOT NULL
    AND coalesce(removal_reason, '') NOT IN (
        'died', 'transferred_with_drain', 'discharged_with_drain', 'replaced'
    );
