-- How often does a tube look blocked, per 100 drain-days, ward by ward?
--
-- Definition: events of suspected occlusion of any grade; of them `annotated` were noted by staff and
--   `probable` have an alert or a still pressure that agrees. Pieces on one drain less than
--   handling.occlusion_apart (60 min) apart, or on either side of a change of device, are one event. Days are
--   those of drains on which tidaling could be assessed (`drains_assessed`; `drains` are all).
-- Interval: exact Poisson (Garwood). It takes events for independent; several on one drain are not, so look
--   at `drains_suspected` before trusting a narrow one.
-- Awkward cases: a note of staff takes the place of the log's own grade, which is then not published: an
--   event under `annotated` may have been `probable` by the log as well, and is never counted as both. What
--   the log says at such a minute, `drainledger explain` tells. In those under `annotated_against_log` the log
--   shows air or breath in part or all of what was noted: mostly a wrong time, or another drain's note; look
--   at table `annotation` before counting them. What is suspected is that something shuts the line, and a
--   clamp nobody noted looks like a clot. Drains that share a device use count once,
--   events and days (not in `drains`). A ward with no such days has a null rate. A short stay says little:
--   one suspicion in 20 days is anything from 0.1 to 28 per 100; wards with fewer than
--   chart.least_evaluable drains assessed, or days, are `too_few` and stand last. Days on which tidaling
--   stayed indeterminate are among them, though a suspicion could hardly arise there: hold
--   `tidaling_indeterminate_minutes` of `drain` against a rate of nought. Missing tidaling has
--   several causes, a sealed and expanded lung among them: a suspicion is a reason to look, not a finding.
SELECT
    site,
    unit,
    sum(drains)::BIGINT AS drains,
    sum(drains_assessed)::BIGINT AS drains_assessed,
    sum(drains_suspected)::BIGINT AS drains_suspected,
    sum(assessed_minutes) / 1440 AS drain_days,
    sum(suspected)::BIGINT AS suspected,
    sum(annotated)::BIGINT AS annotated,
    sum(annotated_against_log)::BIGINT AS annotated_against_log,
    sum(probable)::BIGINT AS probable,
    sum(suspected) * 144000 / nullif(sum(assessed_minutes), 0) AS suspected_per_100_days,
    poisson_low(sum(suspected)) * 144000 / nullif(sum(assessed_minutes), 0) AS per_100_days_low,
    poisson_high(sum(suspected)) * 144000 / nullif(sum(assessed_minutes), 0) AS per_100_days_high,
    least(sum(drains_assessed), sum(assessed_minutes) / 1440) < figure('chart.least_evaluable') AS too_few
FROM suspected_occlusions
GROUP BY
    site,
    unit
ORDER BY
    too_few,
    suspected_per_100_days DESC NULLS LAST,
    site,
    unit;
