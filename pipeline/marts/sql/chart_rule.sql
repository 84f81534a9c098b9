-- The rules that `prolonged_leak_signals` can apply to a chart, each with where it is from.
--
-- Only the first is applied unless others are asked for: every further rule raises more signals from chance
--   alone, and a month that means nothing costs a team an afternoon. Lengths are the definitions'.
CREATE VIEW chart_rule AS
SELECT
    rule.name AS rule,
    rule.meaning,
    rule.source
FROM (
    VALUES
        (
            1,
            'beyond_limits',
            'The month lies strictly beyond its own limits.',
            'Shewhart, Economic Control of Quality of Manufactured Product, 1931 (from memory).'
        ),
        (
            2,
            'long_run',
            format(
                '{:.0f} or more months in a row lie on one side of the centre; a month on it neither counts '
                || 'nor interrupts.',
                figure('chart.run')
            ),
            'Western Electric Company, Statistical Quality Control Handbook, 1956 (from memory).'
        ),
        (
            3,
            'trend',
            format('{:.0f} or more months in a row, each higher or each lower than the last.', figure('chart.trend')),
            'Nelson, J Qual Technol 1984;16:237 (from memory).'
        ),
        (
            4,
            'two_of_three',
            'Two of three months in a row lie more than two standard deviations from the centre, on one side.',
            'Western Electric Company, Statistical Quality Control Handbook, 1956 (from memory).'
        ),
        (
            5,
            'four_of_five',
            'Four of five months in a row lie more than one standard deviation from the centre, on one side.',
            'Western Electric Company, Statistical Quality Control Handbook, 1956 (from memory).'
        )
) AS rule (place, name, meaning, source)
ORDER BY rule.place;
