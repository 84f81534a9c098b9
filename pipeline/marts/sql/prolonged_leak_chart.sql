-- p-chart of the prolonged-leak rate, by site and local month of the origin.
--
-- Centre: the rate over the site's baseline, which stays as it is until somebody moves it (`chart_baseline`,
--   from baselines.toml; a month takes the last baseline that begins no later than it does, months before
--   the first take the first). Where nobody has set one, the site's first complete months with somebody
--   evaluable are it, as many as the definitions say (12); until there are so many it is `forming`.
-- A provisional month, which the site's own logs do not reach past by the definition's time, still misses
--   patients or their long leaks: it is never part of a baseline and is not judged.
-- Limits: exact binomial, at the definitions' outer level (99.8 %, what three standard deviations stand
--   for) for each month's own number; after Spiegelhalter 2005, Stat Med 24:1185, without interpolation
--   between whole counts. The baseline's own uncertainty is not in them: see `baseline_too_small`.
-- Outside: strictly beyond a limit, which chance alone does in at most 1 month of 1000 on either side. No
--   other rule is applied; `prolonged_leak_signals` does, when asked.
-- Awkward cases: a month with none evaluable has no rate and no limits, and is not judged. `too_small`: fewer
--   evaluable than the definitions' least, or no count at all could be outside. A baseline in which nobody,
--   or everybody, leaked long says nothing about chance: no limits. Operations whose month is not known
--   stand under null, without limits, so that the counts add up.
CREATE VIEW prolonged_leak_chart AS
WITH tally AS (
    SELECT
        counted.site,
        counted.month,
        count(*) AS counted,
        count(*) FILTER (WHERE counted.prolonged_leak <> 'unknown') AS evaluable,
        count(*) FILTER (WHERE counted.prolonged_leak = 'yes') AS prolonged,
        count(*) FILTER (WHERE counted.prolonged_leak = 'unknown') AS unknown,
        bool_or(NOT counted.month_complete) AS provisional
    FROM prolonged_leak_counted AS counted
    GROUP BY
        counted.site,
        counted.month
),
sites AS (
    SELECT
        tally.site,
        max(tally.month) AS last_month
    FROM tally
    GROUP BY tally.site
),
set_baselines AS (
    SELECT
        sites.site,
        chart_baseline.from_month,
        chart_baseline.through_month,
        sites.last_month >= chart_baseline.through_month AS reached
    FROM sites
    INNER JOIN chart_baseline
        ON sites.site = chart_baseline.site
        OR (
            chart_baseline.site IS NULL
            AND sites.site NOT IN (SELECT own.site FROM chart_baseline AS own WHERE own.site IS NOT NULL)
        )
),
first_months AS (
    SELECT
        tally.site,
        tally.month
    FROM tally
    WHERE tally.month IS NOT NULL
        AND tally.evaluable > 0
        AND NOT tally.provisional
        AND tally.site NOT IN (SELECT set_baselines.site FROM set_baselines)
    QUALIFY row_number() OVER (PARTITION BY tally.site ORDER BY tally.month)
        <= figure('chart.baseline_months')
),
baselines AS (
    SELECT
        set_baselines.site,
        set_baselines.from_month,
        set_baselines.through_month,
        set_baselines.reached,
        'set' AS made
    FROM set_baselines
    UNION ALL
    SELECT
        first_months.site,
        min(first_months.month) AS from_month,
        max(first_months.month) AS through_month,
        count(*) >= figure('chart.baseline_months') AS reached,
        'first_months' AS made
    FROM first_months
    GROUP BY first_months.site
),
centres AS (
    SELECT
        baselines.site,
        baselines.from_month,
        baselines.through_month,
        CASE
            WHEN baselines.reached AND NOT coalesce(bool_or(tally.provisional), true) THEN baselines.made
            ELSE 'forming'
        END AS baseline,
        coalesce(sum(tally.evaluable) FILTER (WHERE NOT tally.provisional), 0)::BIGINT AS evaluable,
        coalesce(sum(tally.prolonged) FILTER (WHERE NOT tally.provisional), 0)::BIGINT AS prolonged,
        CASE
            WHEN row_number() OVER (PARTITION BY baselines.site ORDER BY baselines.from_month) > 1
                THEN baselines.from_month
        END AS holds_from,
        lead(baselines.from_month) OVER (PARTITION BY baselines.site ORDER BY baselines.from_month)
            AS holds_until
    FROM baselines
    LEFT JOIN tally
        ON baselines.site = tally.site
        AND tally.month BETWEEN baselines.from_month AND baselines.through_month
    GROUP BY
        baselines.site,
        baselines.from_month,
        baselines.through_month,
        baselines.reached,
        baselines.made
),
centred AS (
    SELECT
        tally.*,
        centres.baseline,
        centres.from_month AS baseline_from,
        centres.through_month AS baseline_through,
        centres.evaluable AS baseline_evaluable,
        centres.prolonged AS baseline_prolonged,
        centres.prolonged / nullif(centres.evaluable, 0) AS centre
    FROM tally
    LEFT JOIN centres
        ON tally.site = centres.site
        AND tally.month >= coalesce(centres.holds_from, tally.month)
        AND (centres.holds_until IS NULL OR tally.month < centres.holds_until)
),
levels AS (
    SELECT
        figure('statistics.outer_level') AS outer_level,
        figure('chart.least_evaluable') AS least_evaluable,
        figure('chart.least_baseline') AS least_baseline
),
limited AS (
    SELECT
        centred.*,
        levels.least_evaluable,
        levels.least_baseline,
        CASE
            WHEN centred.centre > 0 AND centred.centre < 1
                THEN binomial_quantile((1 - levels.outer_level) / 2, centred.evaluable, centred.centre)
        END AS least_expected,
        CASE
            WHEN centred.centre > 0 AND centred.centre < 1
                THEN binomial_quantile((1 + levels.outer_level) / 2, centred.evaluable, centred.centre)
        END AS most_expected
    FROM centred
    CROSS JOIN levels
)
SELECT
    limited.site,
    limited.month,
    limited.counted,
    limited.evaluable,
    limited.prolonged,
    limited.unknown,
    limited.prolonged / nullif(limited.evaluable, 0) AS rate,
    limited.centre,
    limited.least_expected / nullif(limited.evaluable, 0) AS limit_low,
    limited.most_expected / nullif(limited.evaluable, 0) AS limit_high,
    CASE
        WHEN NOT limited.provisional
            THEN limited.prolonged < limited.least_expected OR limited.prolonged > limited.most_expected
    END AS outside,
    limited.provisional,
    limited.evaluable < limited.least_evaluable
        OR coalesce(limited.least_expected = 0 AND limited.most_expected = limited.evaluable, false)
        AS too_small,
    limited.baseline,
    limited.baseline_from,
    limited.baseline_through,
    limited.baseline_evaluable,
    limited.baseline_prolonged,
    limited.baseline_evaluable < limited.least_baseline AS baseline_too_small,
    NOT limited.provisional
        AND limited.month BETWEEN limited.baseline_from AND limited.baseline_through AS in_baseline
FROM limited
ORDER BY
    limited.site,
    limited.month;
