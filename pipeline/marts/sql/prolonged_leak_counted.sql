-- What prolonged-leak rates count: operations where patients are known, drains where they are not.
--
-- Two drains of one operation are not two patients, so a linked drain counts through its operation; a
--   drain without a registry row counts by itself.
-- Month: that of the local day of the origin (end of procedure; else tube in; else first minute). Where
--   no local day is known the month is null, and the row still counts.
-- Had its time: the logs of its own site reach past the threshold after the origin. How far they reach is
--   the latest export of a loaded log or the latest minute seen, never the clock on the wall, never another
--   site, and never a registry or annotations: paper that is newer has watched nobody. A site of which no
--   log was loaded reaches nowhere: none there has had its time.
-- Dates far off: no drain and no export of a device of which data_quality tells dates_far_off takes part in
--   how far logs reach. A file's minutes are not known here, and a month left provisional for longer is the
--   lesser fault.
-- Month complete: it had its time, and so would have had the last patient the month could still bring. The
--   month's end is taken in UTC, hours beside the local one: less than what the threshold adds.
CREATE VIEW prolonged_leak_counted AS
WITH far_off AS (
    SELECT
        data_quality.site,
        data_quality.device
    FROM data_quality
    WHERE data_quality.finding = 'dates_far_off'
),
far_off_drain AS (
    SELECT DISTINCT drain_use.drain_id
    FROM drain_use
    INNER JOIN far_off
        ON starts_with(drain_use.use_id, concat(far_off.site, ':', far_off.device, '/'))
),
reach_of_exports AS (
    SELECT
        load_file.site,
        max(load_file.exported_at) AS reached_at
    FROM load_file
    WHERE load_file.status IN ('loaded', 'partial')
        AND load_file.device IS NOT NULL
        AND NOT EXISTS (
            SELECT far_off.device
            FROM far_off
            WHERE far_off.site = load_file.site
                AND list_contains(string_split(load_file.device, ';'), far_off.device)
        )
    GROUP BY load_file.site
),
reach_of_minutes AS (
    SELECT
        drain.site,
        max(drain.ended_at) FILTER (WHERE far_off_drain.drain_id IS NULL) AS reached_at
    FROM drain
    LEFT JOIN far_off_drain
        ON drain.drain_id = far_off_drain.drain_id
    GROUP BY drain.site
),
reach AS (
    SELECT
        reach_of_minutes.site,
        greatest(reach_of_minutes.reached_at, reach_of_exports.reached_at) AS reached_at
    FROM reach_of_minutes
    LEFT JOIN reach_of_exports
        ON reach_of_minutes.site = reach_of_exports.site
),
counted AS (
    SELECT
        operation.operation_id AS counted_id,
        operation.site,
        operation.unit,
        operation.procedure,
        operation.origin_at,
        operation.origin_day,
        operation.drains,
        operation.prolonged_leak
    FROM operation
    UNION ALL
    SELECT
        drain.drain_id AS counted_id,
        drain.site,
        drain.unit,
        drain.procedure,
        drain.origin_at,
        drain.origin_day,
        1 AS drains,
        drain.prolonged_leak
    FROM drain
    WHERE drain.operation_id IS NULL
),
dated AS (
    SELECT
        counted.*,
        date_trunc('month', counted.origin_day)::DATE AS month,
        reach.reached_at - to_hours(figure('prolonged_leak.threshold')::BIGINT) AS watched_until
    FROM counted
    LEFT JOIN reach
        ON counted.site = reach.site
)
SELECT
    dated.counted_id,
    dated.site,
    dated.unit,
    dated.procedure,
    dated.month,
    dated.drains::INTEGER AS drains,
    dated.prolonged_leak,
    coalesce(dated.origin_at <= dated.watched_until, false) AS had_its_time,
    coalesce(
        dated.origin_at <= dated.watched_until
        AND (dated.month + INTERVAL 1 MONTH) AT TIME ZONE 'UTC' <= dated.watched_until,
        false
    ) AS month_complete
FROM dated
ORDER BY dated.counted_id;
