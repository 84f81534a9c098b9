"""The tidaling verdict of every minute."""

from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.course.grid import numbered
from pipeline.course.tidaling import tidaling_of
from pipeline.definitions import load_definitions
from schemas.lake import EVIDENCE

DEFINITIONS = load_definitions()
NOON = datetime(2031, 3, 10, 12, tzinfo=UTC)
P, A, N = "present", "absent", "not_assessable"
SHORT = {"P": P, "A": A, "I": "indeterminate", "N": N}


LETTER = {word: letter for letter, word in SHORT.items()}


def grid(length: int, use: str = "u", spans: list[int] | None = None, **marked: list[int]) -> pl.DataFrame:
    """A use of `length` minutes without envelope; `paused` and `missing` list the minutes that are so."""
    paused, missing = marked.get("paused", []), marked.get("missing", [])
    state = [None if k in missing else "pause" if k in paused else "run" for k in range(length)]
    minutes = pl.DataFrame(
        {
            "use_id": [use] * length,
            "span": spans or [0] * length,
            "minute": [NOON + timedelta(minutes=k) for k in range(length)],
            "observed": [s is not None for s in state],
            "state": state,
            "running": [s == "run" for s in state],
            "paused": [s == "pause" for s in state],
            "tilted": [False] * length,
            "tilt_deg": [1.0] * length,
            "pressure_min_cmh2o": [None] * length,
            "pressure_max_cmh2o": [None] * length,
            "air_leak_ml_min": [None] * length,
            "alerts": [[]] * length,
        },
        schema_overrides={
            "state": pl.String,
            "pressure_min_cmh2o": pl.Float64,
            "pressure_max_cmh2o": pl.Float64,
            "air_leak_ml_min": pl.Float64,
            "alerts": pl.List(pl.String),
        },
    )
    return numbered(minutes)


def evidence(traces: dict[int, str], use: str = "u") -> pl.DataFrame:
    """Traces by minute, P A I or N."""
    rows = [
        {
            "use_id": use,
            "site": "s",
            "device": "d",
            "minute": NOON + timedelta(minutes=k),
            "verdict": SHORT[v],
            "breath_rate_per_min": 15.0 if v == "P" else None,
            "swing_cmh2o": 3.0 if v in "PI" else None,
            "artefact_fraction": 0.0,
            "artefact_kind": "none",
        }
        for k, v in traces.items()
    ]
    return (
        EVIDENCE.conform(
            pl.DataFrame(
                rows, schema_overrides={"breath_rate_per_min": pl.Float64, "swing_cmh2o": pl.Float64}
            )
        )
        if rows
        else EVIDENCE.empty()
    )


def told(frame: pl.DataFrame, traces: dict[int, str]) -> str:
    found = tidaling_of(frame, evidence(traces), DEFINITIONS)["tidaling"].to_list()
    return "".join(LETTER[v] for v in found)


def every(pattern: str) -> dict[int, str]:
    return dict(enumerate(pattern))


def test_a_verdict_holds_for_ten_minutes_and_no_longer() -> None:
    assert told(grid(20), {2: "P"}) == "NN" + "P" * 11 + "N" * 7


def test_the_next_trace_takes_over_at_once() -> None:
    assert told(grid(20), {0: "P", 5: "A", 10: "A", 15: "P"}) == "P" * 5 + "A" * 10 + "P" * 5


def test_a_single_odd_minute_changes_nothing() -> None:
    assert told(grid(15), every("PPPPPPAPPPPPPPP")) == "P" * 15
    assert told(grid(15), every("PPPPPPAAPPPPPPP")) == "P" * 15
    assert told(grid(15), every("AAAAAAPAAAAAAAA")) == "A" * 15


def test_a_change_begins_at_its_first_minute() -> None:
    assert told(grid(15), every("PPPPPPPAAAAAAAA")) == "P" * 7 + "A" * 8


def test_one_undecided_trace_does_not_end_a_hold_two_do() -> None:
    assert told(grid(20), {0: "P", 5: "I", 10: "P", 15: "P"}) == "P" * 20
    assert told(grid(20), {0: "P", 4: "I", 8: "I", 12: "I"}) == "P" * 8 + "I" * 12


def test_a_short_undecided_stretch_between_two_of_one_verdict_takes_theirs() -> None:
    assert told(grid(40), every("P" * 10 + "I" * 19 + "P" * 11)) == "P" * 40
    assert told(grid(40), every("P" * 10 + "I" * 22 + "P" * 8)) == "P" * 11 + "I" * 21 + "P" * 8
    assert told(grid(40), every("P" * 10 + "I" * 12 + "A" * 18)) == "P" * 11 + "I" * 11 + "A" * 18
    assert (
        told(grid(40, paused=[20]), every("P" * 10 + "I" * 10 + "P" + "I" * 5 + "P" * 14))[11:26]
        == "I" * 9 + "N" + "I" * 5
    )


def test_a_trace_that_shows_nothing_counts_for_nothing() -> None:
    assert told(grid(15), {0: "P", 3: "N", 6: "N"}) == "P" * 11 + "N" * 4


def test_a_pause_is_not_assessable_and_ends_the_hold() -> None:
    assert told(grid(15, paused=[4, 5]), {0: "P", 4: "A", 9: "P"}) == "PPPP" + "N" * 5 + "P" * 6


def test_a_missing_minute_is_not_assessable_but_the_evidence_before_it_holds() -> None:
    assert told(grid(10, missing=[4, 5]), {0: "P"}) == "PPPP" + "NN" + "PPPP"


def test_nothing_holds_from_one_tube_to_the_next() -> None:
    assert told(grid(12, spans=[0] * 6 + [1] * 6), {3: "P", 9: "A"}) == "NNN" + "PPP" + "NNN" + "AAA"


def test_swing_and_rate_are_those_of_the_minutes_own_trace() -> None:
    found = tidaling_of(grid(6), evidence({1: "P", 4: "A"}), DEFINITIONS)
    assert found["swing_cmh2o"].to_list() == [None, 3.0, None, None, None, None]
    assert found["breath_rate_per_min"].to_list() == [None, 15.0, None, None, None, None]
    assert found["artefact_kind"].to_list() == [None, "none", None, None, "none", None]
    assert found["tidaling_basis"].to_list() == [None] + ["trace"] * 5


def test_what_a_verdict_was_made_of_stays_beside_it() -> None:
    found = tidaling_of(grid(14), evidence({0: "P", 5: "I", 8: "A"}), DEFINITIONS)
    assert "".join(LETTER[v] for v in found["evidence_verdict"]) == "PPPPPPPPAAAAAA"
    assert found["held_from_row"].to_list() == [0] * 8 + [8] * 6


def test_where_no_trace_reaches_the_envelope_judges() -> None:
    frame = grid(40).with_columns(
        pressure_min_cmh2o=pl.lit(-22.0), pressure_max_cmh2o=pl.lit(-18.0), air_leak_ml_min=pl.lit(0.0)
    )
    found = tidaling_of(frame, evidence({20: "A"}), DEFINITIONS)
    assert found["tidaling"].to_list() == [P] * 20 + [A] * 11 + [P] * 9
    assert found["tidaling_basis"].to_list() == ["envelope"] * 20 + ["trace"] * 11 + ["envelope"] * 9


def test_under_one_false_switch_a_day_and_edges_within_five_minutes() -> None:
    # Every minute traced; one verdict in a hundred wrong, three in a hundred undecided: worse than measured.
    rng = np.random.default_rng(8)
    days, day = 20, 1440
    switches = [d * day + int(rng.integers(200, 1200)) for d in range(days)]
    truth = np.zeros(days * day, dtype=bool)
    for at in switches:
        truth[at:] = ~truth[at:]
    draw = rng.random(len(truth))
    seen = np.where(draw < 0.01, ~truth, truth)
    pattern = np.where((draw >= 0.01) & (draw < 0.04), "I", np.where(seen, "P", "A"))
    found = told(grid(len(truth)), every("".join(pattern)))
    at = [k for k in range(1, len(found)) if found[k] != found[k - 1]]
    for edge in switches:
        assert min(abs(edge - k) for k in at) <= 5
    assert len([k for k in at if min(abs(k - e) for e in switches) > 5]) <= days


@settings(max_examples=30, deadline=None)
@given(
    st.lists(st.tuples(st.integers(0, 59), st.sampled_from("PAIN")), max_size=25),
    st.lists(st.integers(0, 59), max_size=12),
    st.lists(st.integers(0, 59), max_size=8),
)
def test_a_uses_verdicts_do_not_depend_on_its_company(
    traces: list[tuple[int, str]], paused: list[int], missing: list[int]
) -> None:
    inner = [k for k in missing if 0 < k < 59]
    a, b = grid(60, "a", paused=paused, missing=inner), grid(60, "b", [0] * 30 + [1] * 30)
    ea, eb = evidence(dict(traces), "a"), evidence({k: v for k, v in traces if k % 2}, "b")
    alone = tidaling_of(a, ea, DEFINITIONS)
    both = tidaling_of(numbered(pl.concat([a, b])), pl.concat([eb, ea]), DEFINITIONS)
    assert both.head(60).equals(alone)
    idle = alone.filter(~pl.col("running"))
    assert idle["tidaling"].eq(N).all()
    assert idle["tidaling_basis"].is_null().all()
    assert alone["tidaling"].eq(N).eq(alone["tidaling_basis"].is_null()).all()
