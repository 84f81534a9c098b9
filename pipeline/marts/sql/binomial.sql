-- The binomial distribution: its probabilities, its quantiles, and the exact interval of a proportion.
--
-- Exact interval: Clopper & Pearson 1934, Biometrika 26:404. The bounds are the proportions at which
--   k or fewer (upper) and k or more (lower) of n have half the error; found by halving the interval
--   from 0 to 1 until a double can hold no more.
-- Quantiles: the least count whose cumulated probability reaches the share; they are the exact limits
--   of the p-chart and the funnel.
-- Awkward cases: n = 0, k outside 0 to n or a level outside 0 to 1 give null; none of n gives a lower
--   bound of exactly 0, all of n an upper bound of exactly 1. A proportion of 0 or 1 is certain.

-- ln of the probability of exactly i of n; p strictly between 0 and 1.
CREATE MACRO binomial_log(i, n, p) AS
    lgamma(n + 1) - lgamma(i + 1) - lgamma(n - i + 1) + i * ln(p) + (n - i) * ln(1 - p);

-- Probability of k or fewer of n.
CREATE MACRO binomial_at_most(k, n, p) AS
    CASE
        WHEN k < 0 THEN 0::DOUBLE
        WHEN k >= n OR p <= 0 THEN 1::DOUBLE
        WHEN p >= 1 THEN 0::DOUBLE
        ELSE least(1::DOUBLE, list_reduce(
            range(0, k::BIGINT + 1),
            lambda total, i: total + exp(binomial_log(i, n::DOUBLE, p::DOUBLE)),
            0::DOUBLE
        ))
    END;

-- The least count x of n for which x or fewer has at least the given share of the probability. A share
-- that is reached exactly may be missed by the rounding of the sum: within 1e-12 of it counts as reached.
CREATE MACRO binomial_quantile(share, n, p) AS
    CASE
        WHEN n <= 0 OR n IS NULL OR p IS NULL OR share IS NULL THEN NULL
        ELSE list_reduce(
            list_transform(range(0, 32), lambda i: (1::BIGINT << (31 - i))),
            lambda x, step: CASE
                WHEN x + step <= n AND binomial_at_most(x + step - 1, n, p) < share * (1 - 1e-12) THEN x + step
                ELSE x
            END,
            0::BIGINT
        )
    END;

CREATE MACRO exact_high(k, n, level := $level) AS
    CASE
        WHEN k IS NULL OR n IS NULL OR level IS NULL THEN NULL
        WHEN n <= 0 OR k < 0 OR k > n OR level <= 0 OR level >= 1 THEN NULL
        WHEN k = n THEN 1::DOUBLE
        ELSE list_reduce(
            list_transform(range(1, 61), lambda i: power(0.5::DOUBLE, i)),
            lambda p, step: CASE
                WHEN binomial_at_most(k, n, p + step) >= (1 - level::DOUBLE) / 2 THEN p + step
                ELSE p
            END,
            0::DOUBLE
        )
    END;

-- By symmetry: k of n have it, n - k have not.
CREATE MACRO exact_low(k, n, level := $level) AS
    1 - exact_high(n - k, n, level);

-- Limits of the usual p-chart, so many standard deviations about the centre and cut at 0 and 1; for
--   comparison with handbooks (NIST/SEMATECH e-Handbook 6.3.3.2). The published chart has exact limits.
CREATE MACRO sigma_low(centre, n, deviations) AS
    greatest(0::DOUBLE, centre - deviations * sqrt(centre::DOUBLE * (1 - centre) / nullif(n, 0)));

CREATE MACRO sigma_high(centre, n, deviations) AS
    least(1::DOUBLE, centre + deviations * sqrt(centre::DOUBLE * (1 - centre) / nullif(n, 0)));
