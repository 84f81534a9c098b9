"""Operations count patients once; curves take only drains of which something is known."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta

import polars as pl
import pytest

from pipeline.cohort import leak_incidence, leak_survival, operations
from schemas.published import DRAIN, OPERATION
from schemas.views import LEAK_INCIDENCE, LEAK_SURVIVAL

ORIGIN = datetime(2031, 3, 10, 13, 0, tzinfo=UTC)


@pytest.fixture
def drains() -> Callable[..., pl.DataFrame]:
    def build(*rows: dict) -> pl.DataFrame:
        full = []
        for number, row in enumerate(rows):
            default = {
                "drain_id": f"D{number}",
                "site": "lakeside",
                "linked": True,
                "shared_use": False,
                "origin_at": ORIGIN,
                "origin_day": date(2031, 3, 10),
                "uses": 1,
                "minutes_observed": 100,
                "entered_hours": 0.0,
                "prolonged_leak": "no",
            }
            full.append({name: (default | row).get(name) for name in DRAIN.names})
        return pl.DataFrame(full, schema=DRAIN.dtypes)

    return build


def ended(hours: float, **more) -> dict:
    return {"leak_hours": hours, "leak_ongoing_at_end": False, **more}


def leaking_at(hours: float, **more) -> dict:
    return {"leak_end_earliest_at": ORIGIN + timedelta(hours=hours), "leak_ongoing_at_end": True, **more}


@pytest.mark.parametrize(
    ("verdicts", "wanted"),
    [
        ([("no", None), ("yes", None)], ("yes", None)),
        ([("unknown", "died"), ("yes", None)], ("yes", None)),
        ([("no", None), ("no", None)], ("no", None)),
        ([("no", None), ("no", "removal_presumed")], ("no", "removal_presumed")),
        ([("no", "removal_presumed"), ("unknown", "replaced")], ("unknown", "replaced")),
    ],
)
def test_an_operation_is_prolonged_if_any_drain_is_and_not_if_none_is(drains, verdicts, wanted) -> None:
    rows = [
        {"operation_id": "O1", "prolonged_leak": v, "prolonged_leak_reason": r, "leak_hours": 5.0 + i}
        for i, (v, r) in enumerate(verdicts)
    ]
    got = OPERATION.validate(operations(drains(*rows))).row(0, named=True)
    assert (got["prolonged_leak"], got["prolonged_leak_reason"]) == wanted
    assert (got["drains"], got["leak_hours"]) == (2, 6.0)


def test_an_operations_leak_is_unknown_where_one_drains_is(drains) -> None:
    got = operations(drains({"operation_id": "O1", "leak_hours": 5.0}, {"operation_id": "O1"}))
    assert got["leak_hours"].to_list() == [None]


def test_drains_of_nobody_known_make_no_operation(drains) -> None:
    assert operations(drains({"linked": False})).is_empty()


def test_the_curve_overall_has_no_site_and_comes_first(drains) -> None:
    got = leak_survival(drains(ended(10), ended(20, site="north"), leaking_at(30)))
    LEAK_SURVIVAL.validate(got)
    assert got.select("site", "hours", "at_risk", "ended", "censored").rows() == [
        (None, 10.0, 3, 1, 0),
        (None, 20.0, 2, 1, 0),
        (None, 30.0, 1, 0, 1),
        ("lakeside", 10.0, 2, 1, 0),
        ("lakeside", 30.0, 1, 0, 1),
        ("north", 20.0, 1, 1, 0),
    ]
    assert got["still_leaking"][1] == pytest.approx(1 / 3)


def test_who_never_leaked_stands_apart_at_0_hours(drains) -> None:
    got = leak_survival(drains(ended(0), ended(0), ended(10), ended(20))).filter(pl.col("site").is_null())
    assert got.select("hours", "at_risk", "ended", "still_leaking").rows() == [
        (0.0, 4, 2, 0.5),
        (10.0, 2, 1, 0.25),
        (20.0, 1, 1, 0.0),
    ]


def test_tubes_joined_by_a_y_connector_show_one_leak(drains) -> None:
    joined = {"operation_id": "O1", "shared_use": True}
    got = leak_survival(drains(ended(10, **joined), ended(12, **joined), ended(20, operation_id="O2")))
    overall = got.filter(pl.col("site").is_null())
    assert overall.select("hours", "at_risk").rows() == [(12.0, 2), (20.0, 1)]


def test_a_late_log_enters_late(drains) -> None:
    got = leak_survival(drains(ended(10), ended(20), ended(30, entered_hours=15.0)))
    overall = got.filter(pl.col("site").is_null())
    assert overall.select("hours", "at_risk").rows() == [(10.0, 2), (20.0, 2), (30.0, 1)]


def test_a_drain_of_which_nothing_is_known_is_in_no_curve(drains) -> None:
    unknown = drains({"leak_ongoing_at_end": None}, {"leak_ongoing_at_end": False})
    assert leak_survival(unknown).is_empty()
    assert leak_incidence(unknown).is_empty()


def test_death_while_leaking_competes_and_discharge_censors(drains) -> None:
    rows = drains(
        ended(10),
        leaking_at(20, removal_reason="died"),
        leaking_at(30, removal_reason="discharged_with_drain"),
        ended(40, removal_reason="died"),
    )
    got = LEAK_INCIDENCE.validate(leak_incidence(rows)).filter(pl.col("site").is_null())
    assert got["incidence"].to_list() == pytest.approx([0.25, 0.25, 0.25, 0.75])
    assert got["still_leaking"].to_list() == pytest.approx([0.75, 0.5, 0.5, 0.0])
    assert got.select("ended", "competing", "censored").rows() == [(1, 0, 0), (0, 1, 0), (0, 0, 1), (1, 0, 0)]
    alone = leak_survival(rows).filter(pl.col("site").is_null())
    assert alone["still_leaking"].to_list() == pytest.approx([0.75, 0.75, 0.75, 0.0])


def test_the_incidence_can_be_reckoned_again_from_the_counts_that_stand_beside_it(drains) -> None:
    rows = [ended(h) for h in (5, 9, 9, 40, 70)]
    rows += [leaking_at(h, removal_reason="died") for h in (9, 20, 60)]
    rows += [leaking_at(h) for h in (12, 20, 80)]
    got = leak_incidence(drains(*rows)).filter(pl.col("site").is_null())
    free, incidence, left = 1.0, 0.0, len(rows)
    for row in got.iter_rows(named=True):
        assert row["at_risk"] == left
        incidence += free * row["ended"] / left
        free *= 1 - (row["ended"] + row["competing"]) / left
        assert (row["incidence"], row["still_leaking"]) == (pytest.approx(incidence), pytest.approx(free))
        left -= row["ended"] + row["competing"] + row["censored"]
    assert left == 0


def test_curves_do_not_depend_on_the_order_of_drains(drains) -> None:
    rows = [ended(h, site=s) for h, s in ((5, "a"), (5, "b"), (9, "a"), (11, "b"))] + [
        leaking_at(7, site="a")
    ]
    one, other = drains(*rows), drains(*rows).reverse()
    assert leak_survival(one).equals(leak_survival(other))
    assert leak_incidence(one).equals(leak_incidence(other))
