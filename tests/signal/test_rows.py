"""Operations along the rows of a block, against the plain way of doing them."""

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.ndimage import maximum_filter1d

from pipeline.signal.rows import bridge, merge, quantile, run_lengths, running, widen

FLAGS = st.lists(st.lists(st.booleans(), min_size=12, max_size=12), min_size=1, max_size=4)


@given(FLAGS, st.integers(0, 100))
def test_gaps_are_bridged_as_numpys_interpolation_does(rows: list[list[bool]], seed: int) -> None:
    gaps = np.array(rows)
    values = np.random.default_rng(seed).standard_normal(gaps.shape)
    bridged, index = bridge(values, gaps), np.arange(12)
    for row, gap, out in zip(values, gaps, bridged, strict=True):
        expected = np.zeros(12) if gap.all() else np.interp(index, index[~gap], row[~gap])
        assert np.allclose(out, expected, atol=1e-12)


@given(FLAGS)
def test_every_sample_knows_the_length_of_its_run(rows: list[list[bool]]) -> None:
    for row, lengths in zip(rows, run_lengths(np.array(rows)), strict=True):
        begin = 0
        for end in [*(k for k in range(1, 12) if row[k] != row[k - 1]), 12]:
            assert (lengths[begin:end] == end - begin).all()
            begin = end


@settings(max_examples=30)
@given(FLAGS, st.integers(1, 5))
def test_windows_and_widening_are_those_of_scipy(rows: list[list[bool]], samples: int) -> None:
    flags = np.array(rows)
    grown = maximum_filter1d(flags.astype(int), 2 * samples + 1, axis=1, mode="constant", cval=0) > 0
    assert (widen(flags, samples) == grown).all()
    values = np.random.default_rng(1).standard_normal(flags.shape)
    windows = np.lib.stride_tricks.sliding_window_view(values, samples, axis=1)
    assert (running(values, samples, np.maximum) == windows.max(axis=2)).all()
    assert np.allclose(
        merge(values, samples, np.add),
        [[row[k * samples : (k + 1) * samples].sum() for k in range(12 // samples)] for row in values],
    )


def test_quantiles_are_of_the_usable_values_only() -> None:
    values = np.array([[5.0, 1.0, 9.0, 3.0], [1.0, 2.0, 3.0, 4.0]])
    usable = np.array([[True, True, False, True], [False, False, False, False]])
    assert quantile(values, usable, 0.5).tolist() == [3.0, 0.0]
    assert quantile(values, usable, 1.0).tolist() == [5.0, 0.0]
