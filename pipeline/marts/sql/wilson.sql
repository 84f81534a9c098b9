-- Wilson score interval of a proportion of k in n.
--
-- Source: Wilson 1927, J Am Stat Assoc 22:209; recommended for clinical proportions by Newcombe 1998,
--   Stat Med 17:857 (method 3, without continuity correction).
-- The normal quantile is Wichura's algorithm AS 241 (Appl Stat 37:477, 1988), good to about 16 digits.
-- The level is two-sided; its default is the definitions' (a default of a macro can only be a constant,
--   so it is written in when the database is built).
-- Awkward cases: n = 0, k outside 0 to n or a level outside 0 to 1 give null; none of n gives a lower
--   bound of exactly 0, all of n an upper bound of exactly 1.
CREATE MACRO polynomial(x, coefficients) AS
    list_reduce(list_reverse(coefficients), lambda total, c: total * x + c);

CREATE MACRO normal_quantile_centre(q) AS
    q * polynomial(0.180625::DOUBLE - q * q, [
        3.387132872796366608, 133.14166789178437745, 1971.5909503065514427, 13731.693765509461125,
        45921.953931549871457, 67265.770927008700853, 33430.575583588128105, 2509.0809287301226727
    ]::DOUBLE[]) / polynomial(0.180625::DOUBLE - q * q, [
        1.0, 42.313330701600911252, 687.1870074920579083, 5394.1960214247511077,
        21213.794301586595867, 39307.89580009271061, 28729.085735721942674, 5226.495278852545925
    ]::DOUBLE[]);

CREATE MACRO normal_quantile_flank(r) AS
    polynomial(r - 1.6::DOUBLE, [
        1.42343711074968357734, 4.6303378461565452959, 5.7694972214606914055, 3.64784832476320460504,
        1.27045825245236838258, 0.24178072517745061177, 0.0227238449892691845833, 0.00077454501427834140764
    ]::DOUBLE[]) / polynomial(r - 1.6::DOUBLE, [
        1.0, 2.05319162663775882187, 1.6763848301838038494, 0.68976733498510000455,
        0.14810397642748007459, 0.0151986665636164571966, 0.0005475938084995344946, 0.00000000105075007164441684324
    ]::DOUBLE[]);

CREATE MACRO normal_quantile_tail(r) AS
    polynomial(r - 5::DOUBLE, [
        6.6579046435011037772, 5.4637849111641143699, 1.7848265399172913358, 0.29656057182850489123,
        0.026532189526576123093, 0.0012426609473880784386, 0.0000271155556874348757815, 0.000000201033439929228813265
    ]::DOUBLE[]) / polynomial(r - 5::DOUBLE, [
        1.0, 0.59983220655588793769, 0.13692988092273580531, 0.0148753612908506148525,
        0.0007868691311456132591, 0.000018463183175100546818, 0.00000014215117583164458887, 0.00000000000000204426310338993978564
    ]::DOUBLE[]);

-- How many standard deviations hold the middle `level` of a normal distribution: 0.95 gives 1.96.
CREATE MACRO normal_deviate(level) AS
    CASE
        WHEN level <= 0 OR level >= 1 THEN NULL
        WHEN level <= 0.85 THEN normal_quantile_centre(level::DOUBLE / 2)
        WHEN sqrt(-ln((1 - level::DOUBLE) / 2)) <= 5
            THEN normal_quantile_flank(sqrt(-ln((1 - level::DOUBLE) / 2)))
        ELSE normal_quantile_tail(sqrt(-ln((1 - level::DOUBLE) / 2)))
    END;

CREATE MACRO wilson_low(k, n, level := $level) AS
    CASE
        WHEN n <= 0 OR k < 0 OR k > n OR level <= 0 OR level >= 1 THEN NULL
        WHEN k = 0 THEN 0::DOUBLE
        ELSE (
            k::DOUBLE + power(normal_deviate(level), 2) / 2
            - normal_deviate(level) * sqrt(
                k::DOUBLE * (n::DOUBLE - k::DOUBLE) / n::DOUBLE + power(normal_deviate(level), 2) / 4
            )
        ) / (n::DOUBLE + power(normal_deviate(level), 2))
    END;

CREATE MACRO wilson_high(k, n, level := $level) AS
    CASE
        WHEN n <= 0 OR k < 0 OR k > n OR level <= 0 OR level >= 1 THEN NULL
        WHEN k = n THEN 1::DOUBLE
        ELSE (
            k::DOUBLE + power(normal_deviate(level), 2) / 2
            + normal_deviate(level) * sqrt(
                k::DOUBLE * (n::DOUBLE - k::DOUBLE) / n::DOUBLE + power(normal_deviate(level), 2) / 4
            )
        ) / (n::DOUBLE + power(normal_deviate(level), 2))
    END;
