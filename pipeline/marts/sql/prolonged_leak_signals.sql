-- Months of the prolonged-leak chart that a rule marks: prolonged_leak_signals(rules, deviations)
--
-- Rules: a list of names from `chart_rule`; unsaid, only months beyond their limits. A run rule marks the
--   month that completes the pattern and each one that goes on with it. Deviations: where given, limits so
--   many standard deviations about the centre take the place of the exact ones (3 is the handbook's chart).
-- Looked at: months that are complete and have somebody evaluable, in order; those between are passed over.
--   A new baseline begins runs, trends and the rest afresh. Standard deviations are each month's own.
-- Awkward cases: a site without a centre, or with one of 0 or 1, has no signals. A rule that is not in
--   `chart_rule` is an error. What a rule marks is a question to look into; with several rules at once
--   chance alone marks some month of every long chart.
CREATE MACRO prolonged_leak_signals(rules := ['beyond_limits'], deviations := NULL) AS TABLE
WITH asked AS (
    SELECT CASE
        WHEN count(*) > 0
            THEN error(
                'there is no chart rule ' || string_agg(wanted.rule, ', ' ORDER BY wanted.rule)
                || '; SELECT rule FROM chart_rule names them'
            )
        ELSE true
    END AS known
    FROM (SELECT unnest(rules) AS rule) AS wanted
    WHERE wanted.rule NOT IN (SELECT chart_rule.rule FROM chart_rule)
),
judged AS (
    SELECT
        chart.*,
        -- Rounded, so that a rate just at a whole number of deviations is at it, not beyond by a last digit.
        round(
            (chart.rate - chart.centre) / sqrt(chart.centre * (1 - chart.centre) / chart.evaluable), 9
        ) AS deviation,
        sign(chart.rate - chart.centre) AS side,
        CASE
            WHEN deviations IS NULL THEN chart.outside
            ELSE abs(deviation) > deviations
        END AS beyond
    FROM prolonged_leak_chart AS chart
    WHERE NOT chart.provisional
        AND chart.evaluable > 0
        AND chart.month IS NOT NULL
        AND chart.centre > 0
        AND chart.centre < 1
),
stepped AS (
    SELECT
        judged.*,
        sign(judged.rate - lag(judged.rate) OVER in_order) AS step,
        sum((judged.deviation > 2)::INTEGER) OVER last_three AS high_of_three,
        sum((judged.deviation < -2)::INTEGER) OVER last_three AS low_of_three,
        sum((judged.deviation > 1)::INTEGER) OVER last_five AS high_of_five,
        sum((judged.deviation < -1)::INTEGER) OVER last_five AS low_of_five
    FROM judged
    WINDOW
        in_order AS (PARTITION BY judged.site, judged.baseline_from ORDER BY judged.month),
        last_three AS (
            PARTITION BY judged.site, judged.baseline_from ORDER BY judged.month
            ROWS BETWEEN 2 PRECEDING AND CURRENT ROW
        ),
        last_five AS (
            PARTITION BY judged.site, judged.baseline_from ORDER BY judged.month
            ROWS BETWEEN 4 PRECEDING AND CURRENT ROW
        )
),
-- A run ends where the side changes: months since the last one on the other side, those on the centre apart.
run_lengths AS (
    SELECT
        sided.site,
        sided.month,
        row_number() OVER (
            PARTITION BY sided.site, sided.baseline_from, sided.run_no ORDER BY sided.month
        ) AS run_length
    FROM (
        SELECT
            turned.*,
            sum(turned.turn) OVER (PARTITION BY turned.site, turned.baseline_from ORDER BY turned.month) AS run_no
        FROM (
            SELECT
                judged.site,
                judged.baseline_from,
                judged.month,
                (judged.side IS DISTINCT FROM lag(judged.side) OVER (
                    PARTITION BY judged.site, judged.baseline_from ORDER BY judged.month
                ))::INTEGER AS turn
            FROM judged
            WHERE judged.side <> 0
        ) AS turned
    ) AS sided
),
trend_lengths AS (
    SELECT
        climbing.site,
        climbing.month,
        climbing.step,
        row_number() OVER (
            PARTITION BY climbing.site, climbing.baseline_from, climbing.trend_no ORDER BY climbing.month
        ) AS steps
    FROM (
        SELECT
            turned.*,
            sum(turned.turn) OVER (PARTITION BY turned.site, turned.baseline_from ORDER BY turned.month)
                AS trend_no
        FROM (
            SELECT
                stepped.site,
                stepped.baseline_from,
                stepped.month,
                stepped.step,
                (stepped.step IS DISTINCT FROM lag(stepped.step) OVER (
                    PARTITION BY stepped.site, stepped.baseline_from ORDER BY stepped.month
                ))::INTEGER AS turn
            FROM stepped
        ) AS turned
    ) AS climbing
),
marked AS (
    SELECT
        stepped.*,
        [
            CASE WHEN stepped.beyond THEN 'beyond_limits' END,
            CASE WHEN run_lengths.run_length >= figure('chart.run') THEN 'long_run' END,
            CASE
                WHEN trend_lengths.step <> 0 AND trend_lengths.steps >= figure('chart.trend') - 1 THEN 'trend'
            END,
            CASE
                WHEN (stepped.deviation > 2 AND stepped.high_of_three >= 2)
                    OR (stepped.deviation < -2 AND stepped.low_of_three >= 2)
                    THEN 'two_of_three'
            END,
            CASE
                WHEN (stepped.deviation > 1 AND stepped.high_of_five >= 4)
                    OR (stepped.deviation < -1 AND stepped.low_of_five >= 4)
                    THEN 'four_of_five'
            END
        ] AS found
    FROM stepped
    LEFT JOIN run_lengths
        ON stepped.site = run_lengths.site
        AND stepped.month = run_lengths.month
    LEFT JOIN trend_lengths
        ON stepped.site = trend_lengths.site
        AND stepped.month = trend_lengths.month
)
SELECT
    marked.site,
    marked.month,
    chart_rule.rule,
    marked.evaluable,
    marked.prolonged,
    marked.rate,
    marked.centre,
    marked.deviation AS standard_deviations,
    marked.too_small,
    chart_rule.meaning
FROM marked
INNER JOIN chart_rule
    ON list_contains(marked.found, chart_rule.rule)
CROSS JOIN asked
WHERE asked.known
    AND list_contains(rules, chart_rule.rule)
ORDER BY
    marked.site,
    marked.month,
    chart_rule.rule;
