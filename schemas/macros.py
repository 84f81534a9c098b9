"""The published database's macros: their names and what each gives, for the comments and the documents."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Macro:
    """
    One macro.

    Parameters
    ----------
    call
        As it is called, what may be left out with its default.
    meaning
        Becomes its `COMMENT`.
    gives_rows
        Whether it stands where a table stands.
    """

    call: str
    meaning: str
    gives_rows: bool = False

    @property
    def name(self) -> str:
        """As in SQL."""
        return self.call.partition("(")[0]


MACROS: tuple[Macro, ...] = (
    Macro(
        "wilson_low(k, n, level := 0.95)", "Lower bound of the Wilson interval of k in n; level two-sided."
    ),
    Macro(
        "wilson_high(k, n, level := 0.95)", "Upper bound of the Wilson interval of k in n; level two-sided."
    ),
    Macro(
        "exact_low(k, n, level := 0.95)",
        "Lower bound of the exact (Clopper-Pearson) interval of k in n; level two-sided.",
    ),
    Macro(
        "exact_high(k, n, level := 0.95)",
        "Upper bound of the exact (Clopper-Pearson) interval of k in n; level two-sided.",
    ),
    Macro(
        "poisson_low(k, level := 0.95)",
        "Lower bound of the exact (Garwood) interval of a count of k events; divide by the time watched.",
    ),
    Macro(
        "poisson_high(k, level := 0.95)",
        "Upper bound of the exact (Garwood) interval of a count of k events; divide by the time watched.",
    ),
    Macro("figure(wanted)", "A figure of the definitions by name, e.g. figure('leak.on_above')."),
    Macro(
        "came_out(tube_out_at, removal_reason)",
        "Whether a tube came out of the patient: a time for it, and no reason that says otherwise.",
    ),
    Macro(
        "prolonged_leak_signals(rules := ['beyond_limits'], deviations := NULL)",
        "Months of the chart that the rules asked for mark (see chart_rule); deviations: so many standard "
        "deviations in place of the exact limits.",
        gives_rows=True,
    ),
    Macro(
        "sigma_low(centre, n, deviations)",
        "Lower limit of a p-chart, so many standard deviations below the centre, not below 0.",
    ),
    Macro(
        "sigma_high(centre, n, deviations)",
        "Upper limit of a p-chart, so many standard deviations above the centre, not above 1.",
    ),
    Macro("binomial_at_most(k, n, p)", "Probability of k or fewer of n where each has the chance p."),
    Macro(
        "binomial_quantile(share, n, p)",
        "Least count of n that has at least this share of the probability below or at it.",
    ),
    Macro("poisson_at_most(k, expected)", "Probability of k events or fewer where so many are expected."),
    Macro(
        "normal_deviate(level)", "Standard deviations that hold the middle `level` of a normal distribution."
    ),
    Macro("binomial_log(i, n, p)", "Natural logarithm of the probability of exactly i of n; part of others."),
    Macro("poisson_reach(k, chance)", "A mean above the one sought by poisson_mean; part of it."),
    Macro(
        "poisson_mean(k, chance)",
        "The mean at which k events or fewer have just this chance; part of others.",
    ),
    Macro("polynomial(x, coefficients)", "A polynomial from its coefficients, the constant first."),
    Macro(
        "normal_quantile_centre(q)", "Normal quantile near the middle (Wichura 1988); part of normal_deviate."
    ),
    Macro("normal_quantile_flank(r)", "Normal quantile further out (Wichura 1988); part of normal_deviate."),
    Macro("normal_quantile_tail(r)", "Normal quantile far out (Wichura 1988); part of normal_deviate."),
)
