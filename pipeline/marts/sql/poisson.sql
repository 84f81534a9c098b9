-- The Poisson distribution, and the exact interval of a count of events: poisson_low(k), poisson_high(k).
--
-- Exact interval: Garwood 1936, Biometrika 28:437. The bounds are the means at which k or fewer (upper) and
--   k or more (lower) have half the error; found by halving, until a double can hold no more. Divide by the
--   time watched to get the bounds of a rate.
-- It takes events for independent. Those of one patient are not: counted per drain-day the interval is too
--   narrow where a few drains have many.
-- Awkward cases: a count below 0 or a level outside 0 to 1 gives null; no events give a lower bound of 0.

-- Probability of k or fewer where so many are expected.
CREATE MACRO poisson_at_most(k, expected) AS
    CASE
        WHEN k < 0 THEN 0::DOUBLE
        WHEN expected <= 0 THEN 1::DOUBLE
        ELSE least(1::DOUBLE, list_reduce(
            range(0, k::BIGINT + 1),
            lambda total, i: total + exp(i * ln(expected::DOUBLE) - expected::DOUBLE - lgamma(i + 1::DOUBLE)),
            0::DOUBLE
        ))
    END;

-- A mean beyond which k or fewer have less than this chance (Chernoff's bound): halving begins below it.
CREATE MACRO poisson_reach(k, chance) AS
    k::DOUBLE + 1 - ln(chance::DOUBLE) + sqrt(ln(chance::DOUBLE) * (ln(chance::DOUBLE) - 2 * (k::DOUBLE + 1)));

-- The mean at which k or fewer have just this chance.
CREATE MACRO poisson_mean(k, chance) AS
    list_reduce(
        list_transform(range(1, 61), lambda i: poisson_reach(k, chance) * power(0.5::DOUBLE, i)),
        lambda m, step: CASE
            WHEN poisson_at_most(k, m + step) >= chance THEN m + step
            ELSE m
        END,
        0::DOUBLE
    );

CREATE MACRO poisson_high(k, level := $level) AS
    CASE
        WHEN k < 0 OR level <= 0 OR level >= 1 THEN NULL
        ELSE poisson_mean(k, (1 - level::DOUBLE) / 2)
    END;

CREATE MACRO poisson_low(k, level := $level) AS
    CASE
        WHEN k < 0 OR level <= 0 OR level >= 1 THEN NULL
        WHEN k = 0 THEN 0::DOUBLE
        ELSE poisson_mean(k - 1, (1 + level::DOUBLE) / 2)
    END;
