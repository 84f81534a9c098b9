-- How often a tube looks blocked: by unit and local month of the origin, per 100 drain-days.
--
-- Counted: events of suspected occlusion of any grade. Pieces on one drain with less than
--   handling.occlusion_apart between them are one event, whatever their grades; a hole between two uses of
--   the drain, as when its device is changed, is left out of that time however long it is, for nobody saw
--   what was in it. An event is `annotated` if staff noted any of it, else `probable` if an alert or a still
--   pressure agrees with any of it; the rest are possible.
-- Shared uses: where one device use serves two drains of a patient at once, nobody can tell which of them
--   is blocked. Such drains count as one in everything but `drains`: pieces of both are merged, each day counts
--   the minutes of the one watched longer on it, and all of it stands where the first of them by drain_id is
--   counted.
-- Days: 1440 observed minutes, of drains on which tidaling could be assessed at all; on the others a
--   suspicion could not have been raised.
-- Interval: exact Poisson (Garwood 1936), at the definitions' level. It takes events for independent of each
--   other; several on one drain are not, and the interval is then too narrow: compare `drains_suspected`.
-- Notes: an event that staff noted counts as noted also where the log shows flow in it, and is told apart as
--   `annotated_against_log`; `annotation` has the minutes that speak against each note.
-- Awkward cases: a unit none of whose drains could be assessed has no days and a null rate. Missing tidaling
--   has several causes, a sealed and expanded lung among them: a suspicion is a reason to look.
CREATE VIEW suspected_occlusions AS
WITH drains AS (
    SELECT
        drain.drain_id,
        drain.site,
        drain.unit,
        date_trunc('month', drain.origin_day)::DATE AS month,
        drain.minutes_observed,
        drain.occlusion_minutes IS NOT NULL AS assessed,
        drain_counted_as.counted_once AS shared,
        drain_counted_as.counted_id
    FROM drain
    INNER JOIN drain_counted_as
        ON drain.drain_id = drain_counted_as.drain_id
),
shared_days AS (
    SELECT
        drains.counted_id,
        drain_day.day,
        max(drain_day.minutes_observed) AS minutes
    FROM drains
    INNER JOIN drain_day
        ON drains.drain_id = drain_day.drain_id
    WHERE drains.shared
        AND drains.assessed
    GROUP BY
        drains.counted_id,
        drain_day.day
),
watched AS (
    SELECT
        shared_days.counted_id,
        sum(shared_days.minutes)::BIGINT AS minutes
    FROM shared_days
    GROUP BY shared_days.counted_id
    UNION ALL
    SELECT
        drains.counted_id,
        drains.minutes_observed AS minutes
    FROM drains
    WHERE drains.assessed
        AND NOT drains.shared
),
stretches AS (
    SELECT
        drains.counted_id,
        drain_use.from_at,
        max(drain_use.until_at) OVER (
            PARTITION BY drains.counted_id
            ORDER BY
                drain_use.from_at,
                drain_use.until_at
            ROWS BETWEEN UNBOUNDED PRECEDING AND 1 PRECEDING
        ) AS seen_until
    FROM drains
    INNER JOIN drain_use
        ON drains.drain_id = drain_use.drain_id
),
holes AS (
    SELECT
        stretches.counted_id,
        stretches.seen_until AS from_at,
        stretches.from_at AS until_at
    FROM stretches
    WHERE stretches.seen_until < stretches.from_at
),
contradicted AS (
    SELECT
        annotation.drain_id,
        annotation.started_at,
        coalesce(annotation.ended_at, annotation.started_at) AS ended_at
    FROM annotation
    WHERE annotation.kind = 'confirmed_occlusion'
        AND annotation.minutes_against_log > 0
),
pieces AS (
    SELECT
        drains.counted_id,
        drains.drain_id,
        period.started_at,
        period.ended_at,
        period.grade,
        period.grade = 'annotated' AND EXISTS (
            SELECT 1
            FROM contradicted
            WHERE contradicted.drain_id = period.drain_id
                AND contradicted.started_at < period.ended_at
                AND contradicted.ended_at >= period.started_at
        ) AS against_log,
        max(period.ended_at) OVER (
            PARTITION BY drains.counted_id
            ORDER BY
                period.started_at,
                period.ended_at,
                drains.drain_id
            ROWS BETWEEN UNBOUNDED PRECEDING AND 1 PRECEDING
        ) AS last_ended_at
    FROM drains
    INNER JOIN period
        ON drains.drain_id = period.drain_id
    WHERE period.kind = 'occlusion_suspected'
),
pieces_apart AS (
    SELECT
        pieces.counted_id,
        pieces.drain_id,
        pieces.started_at,
        pieces.ended_at,
        pieces.grade,
        pieces.against_log,
        (
            epoch(pieces.started_at) - epoch(pieces.last_ended_at)
            - coalesce(max(
                epoch(least(holes.until_at, pieces.started_at))
                - epoch(greatest(holes.from_at, pieces.last_ended_at))
            ) FILTER (WHERE holes.from_at IS NOT NULL), 0)
        ) / 60 AS minutes_apart
    FROM pieces
    LEFT JOIN holes
        ON pieces.counted_id = holes.counted_id
        AND holes.from_at < pieces.started_at
        AND holes.until_at > pieces.last_ended_at
    GROUP BY
        pieces.counted_id,
        pieces.drain_id,
        pieces.started_at,
        pieces.ended_at,
        pieces.grade,
        pieces.against_log,
        pieces.last_ended_at
),
pieces_numbered AS (
    SELECT
        pieces_apart.counted_id,
        pieces_apart.grade,
        pieces_apart.against_log,
        count(*) FILTER (
            WHERE pieces_apart.minutes_apart IS NULL
                OR pieces_apart.minutes_apart >= figure('handling.occlusion_apart')
        ) OVER (
            PARTITION BY pieces_apart.counted_id
            ORDER BY
                pieces_apart.started_at,
                pieces_apart.ended_at,
                pieces_apart.drain_id
            ROWS BETWEEN UNBOUNDED PRECEDING AND CURRENT ROW
        ) AS event_no
    FROM pieces_apart
),
events AS (
    SELECT
        pieces_numbered.counted_id,
        pieces_numbered.event_no,
        count(*) FILTER (WHERE pieces_numbered.grade = 'annotated') > 0 AS annotated,
        count(*) FILTER (WHERE pieces_numbered.grade = 'probable') > 0 AS probable,
        count(*) FILTER (WHERE pieces_numbered.against_log) > 0 AS against_log
    FROM pieces_numbered
    GROUP BY
        pieces_numbered.counted_id,
        pieces_numbered.event_no
),
suspicions AS (
    SELECT
        events.counted_id,
        count(*) AS suspected,
        count(*) FILTER (WHERE events.probable AND NOT events.annotated) AS probable,
        count(*) FILTER (WHERE events.annotated) AS annotated,
        count(*) FILTER (WHERE events.against_log) AS against_log
    FROM events
    GROUP BY events.counted_id
),
tally AS (
    SELECT
        drains.site,
        drains.unit,
        drains.month,
        count(*)::INTEGER AS drains,
        count(watched.counted_id) AS drains_assessed,
        count(suspicions.counted_id) AS drains_suspected,
        coalesce(sum(watched.minutes), 0)::BIGINT AS assessed_minutes,
        coalesce(sum(suspicions.suspected), 0)::BIGINT AS suspected,
        coalesce(sum(suspicions.probable), 0)::BIGINT AS probable,
        coalesce(sum(suspicions.annotated), 0)::BIGINT AS annotated,
        coalesce(sum(suspicions.against_log), 0)::BIGINT AS annotated_against_log
    FROM drains
    LEFT JOIN watched
        ON drains.drain_id = watched.counted_id
    LEFT JOIN suspicions
        ON drains.drain_id = suspicions.counted_id
    GROUP BY
        drains.site,
        drains.unit,
        drains.month
)
SELECT
    tally.site,
    tally.unit,
    tally.month,
    tally.drains,
    tally.drains_assessed,
    tally.drains_suspected,
    tally.assessed_minutes,
    tally.assessed_minutes / 1440 AS drain_days,
    tally.suspected,
    tally.probable,
    tally.annotated,
    tally.annotated_against_log,
    tally.suspected * 144000 / nullif(tally.assessed_minutes, 0) AS suspected_per_100_days,
    poisson_low(tally.suspected) * 144000 / nullif(tally.assessed_minutes, 0) AS per_100_days_low,
    poisson_high(tally.suspected) * 144000 / nullif(tally.assessed_minutes, 0) AS per_100_days_high
FROM tally
ORDER BY
    tally.site,
    tally.unit,
    tally.month;
