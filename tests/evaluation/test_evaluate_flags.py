"""How what is seen in traces, and what a log lacks, is scored."""

from __future__ import annotations

import polars as pl

from tests.evaluation.beside_by_hand import at, stay, value
from tests.evaluation.evaluate_flags import flags
from tests.evaluation.evaluate_truth import gaps_told


def test_a_cough_between_two_traces_is_not_asked_for() -> None:
    found = list(
        flags(
            stay(
                100,
                traced=[t % 5 == 0 for t in range(100)],
                true_coughing=[t in (10, 11, 20) for t in range(100)],
                cough=[t in (10, 30) for t in range(100)],
            )
        )
    )
    assert value(found, "cough: recall") == 1 / 2
    assert value(found, "cough: precision") == 1 / 2
    assert value(found, "motion: recall") is None


def test_a_hole_lies_between_what_a_device_logged_and_one_told_of_a_logged_minute_is_wrong() -> None:
    def of(minutes: list[int], **more: object) -> pl.DataFrame:
        same = {"site": "x", "device": "d", "evidence": "e", "stay": "s", "use_id": "u", **more}
        return pl.DataFrame({"true_minute": [at(t) for t in minutes]}).with_columns(
            pl.lit(what).alias(name) for name, what in same.items()
        )

    logged = of([0, 1, 2, 3, 7, 8], clock_kind="right", through=True)
    # Four minutes of a hole, and one after the log's end, which no use of it lacks.
    unlogged = of([4, 5, 6, 9]).drop("use_id")
    told = of([3, 5, 6]).select(
        "site", "device", minute="true_minute", flags=pl.lit(["no_data"], pl.List(pl.String))
    )
    gaps = gaps_told(logged, unlogged, told)
    assert gaps.select("true_minute", "true_no_data", "no_data").rows() == [
        (at(3), False, True),
        (at(4), True, False),
        (at(5), True, True),
        (at(6), True, True),
    ]
    stepped = logged.with_columns(clock_kind=pl.lit("stepped"))
    assert gaps_told(stepped, unlogged, told).is_empty()
