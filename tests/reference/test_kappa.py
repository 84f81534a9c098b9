"""Cohen's kappa against published worked values, scikit-learn and statsmodels."""

from __future__ import annotations

import warnings

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from sklearn.metrics import cohen_kappa_score
from statsmodels.stats.inter_rater import cohens_kappa

from pipeline.extract.agreement import cohen_kappa

# Two radiologists on 85 breast X-rays (Boyd et al. 1982, J Natl Cancer Inst 68:357), as worked through in Altman,
# Practical Statistics for Medical Research, 1991, section 14.3, and in Stata's manual ([R] kappa): agreement
# 63.53 %, kappa 0.47 (0.4728). Cells from memory; they give those three published figures.
XRAYS = [[21, 12, 0, 0], [4, 17, 1, 0], [3, 9, 15, 2], [0, 0, 0, 1]]
# Two raters on 50 specimens: kappa 0.5138 (a worked textbook example; cells from memory).
SPECIMENS = [[22, 5], [7, 16]]


def _readers(table: list[list[int]]) -> tuple[list[str], list[str]]:
    pairs = [(str(i), str(j)) for i, row in enumerate(table) for j, n in enumerate(row) for _ in range(n)]
    return [a for a, _ in pairs], [b for _, b in pairs]


def test_the_radiologists_of_boyd_agree_as_published() -> None:
    found = cohen_kappa(*_readers(XRAYS), 0.95)
    assert found.number == 85
    assert round(100 * found.agreed / found.number, 2) == 63.53
    assert round(found.kappa, 4) == 0.4728


def test_the_specimens_agree_as_published() -> None:
    assert round(cohen_kappa(*_readers(SPECIMENS), 0.95).kappa, 4) == 0.5138


@given(
    st.lists(st.tuples(st.sampled_from("abc"), st.sampled_from("abc")), min_size=2, max_size=80),
    st.sampled_from([0.8, 0.95, 0.99]),
)
def test_kappa_and_its_interval_are_those_of_the_libraries(
    pairs: list[tuple[str, str]], level: float
) -> None:
    one, other = [a for a, _ in pairs], [b for _, b in pairs]
    found = cohen_kappa(one, other, level)
    if len(set(one) | set(other)) == 1:
        assert np.isnan(found.kappa)
        return
    assert found.kappa == pytest.approx(cohen_kappa_score(one, other), abs=1e-12)
    table = np.array([[sum(p == (a, b) for p in pairs) for b in "abc"] for a in "abc"])
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # its z where the variance is nought
        theirs = cohens_kappa(table, return_results=True)
    if np.isnan(found.low):  # no width: claimed by neither
        assert abs(theirs.var_kappa) < 1e-9
        return
    if level != 0.95:
        return
    assert found.low == pytest.approx(max(theirs.kappa_low, -1), abs=1e-6)
    assert found.high == pytest.approx(min(theirs.kappa_upp, 1), abs=1e-6)


def test_readers_who_always_agree_have_no_interval_rather_than_a_certain_one() -> None:
    found = cohen_kappa(["a", "b"] * 3, ["a", "b"] * 3, 0.95)
    assert found.kappa == 1
    assert np.isnan(found.low)
    constant = cohen_kappa(["a"] * 6, ["a", "b"] * 3, 0.95)
    assert constant.kappa == 0
    assert np.isnan(constant.high)
