-- Which drain is counted for each, where what a device did counts once: itself, unless it shares a device.
--
-- Shared uses: where one device use serves two drains of a patient at once, nobody can tell which of them a
--   stop or an alarm is of. All of it is counted at the first of them by drain_id.
-- Awkward cases: drains that follow each other on one device do not share it; sharing is by overlap in time.
CREATE VIEW drain_counted_as AS
WITH shares AS (
    SELECT
        own.drain_id,
        min(other.drain_id) AS counted_id
    FROM drain
    INNER JOIN drain_use AS own
        ON drain.drain_id = own.drain_id
    INNER JOIN drain_use AS other
        ON own.use_id = other.use_id
        AND own.from_at < other.until_at
        AND own.until_at > other.from_at
    INNER JOIN drain AS other_drain
        ON other.drain_id = other_drain.drain_id
    WHERE drain.shared_use
        AND other_drain.shared_use
    GROUP BY own.drain_id
)
SELECT
    drain.drain_id,
    coalesce(shares.counted_id, drain.drain_id) AS counted_id,
    shares.drain_id IS NOT NULL AS counted_once
FROM drain
LEFT JOIN shares
    ON drain.drain_id = shares.drain_id
ORDER BY drain.drain_id;
