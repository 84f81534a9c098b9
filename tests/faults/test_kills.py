"""Law: whatever is killed at whatever moment, doing it again ends as if nobody had died."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from pipeline.store.moments import Moment
from tests.faults.kills import CASES, Ward
from tests.faults.mortal import Death, Mortals

# Each row is one home that is killed at these moments one after the other: (moment, the how manieth).
CHAINS: dict[str, tuple[tuple[str, int], ...]] = {
    "load": (
        ("WRITTEN_BESIDE", 1), ("SWEPT", 1), ("IN_PLACE", 2), ("WRITTEN_BESIDE", 5), ("RAW_KEPT", 1), ("BEGUN", 1), ("ROWS_ADDED", 4),
        ("TAKEN_OUT", 3), ("FILES_NOTED", 1), ("ENDED", 1), ("DERIVED", 3),
    ),
    "late": (("DOUBTED", 2), ("GONE_DROPPED", 2), ("FORGOTTEN", 1), ("DERIVED", 4)),
    "withdraw": (("IN_PLACE", 1), ("TAKEN_OUT", 2), ("DOUBTED", 1), ("MADE_NOTED", 2)),
    "publish": (("BUILT", 1), ("SWAPPED", 1), ("PUBLISHED_NOTED", 1)),
    "mend": (("SET_ASIDE", 1), ("ROWS_ADDED", 2)),
    "maintain": (("COMPACTED", 1), ("COMPACTED", 8), ("VACUUMED", 3), ("LOG_TRIMMED", 1), ("LOG_TRIMMED", 9)),
}  # fmt: skip
SOAKED = {"late", "withdraw", "maintain"}  # `make soak` kills at each of them by the hundred


@pytest.fixture(scope="module")
def ward(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Ward]:
    with Mortals() as mortals:
        yield Ward(tmp_path_factory.mktemp("kills"), mortals)


@pytest.mark.parametrize(
    "name", [pytest.param(name, marks=pytest.mark.long) if name in SOAKED else name for name in CHAINS]
)
def test_killed_at_each_named_moment_in_turn_it_ends_as_if_nobody_had_died(name: str, ward: Ward) -> None:
    case = next(case for case in CASES if case.name == name)
    trial = ward.trial(case, [Death(moment, nth) for moment, nth in CHAINS[name]])
    assert trial.wrong == []
    assert trial.kills == len(CHAINS[name]), trial.at


def test_each_named_moment_is_one_at_which_something_is_killed() -> None:
    assert {moment for chain in CHAINS.values() for moment, _ in chain} == set(Moment.__members__)
    assert sum(len(chain) for chain in CHAINS.values()) >= 25


@pytest.mark.long
def test_killed_by_the_clock_between_two_moments_it_ends_as_if_nobody_had_died(ward: Ward) -> None:
    case = next(case for case in CASES if case.name == "correct")
    whole = ward.undisturbed(case)[2].seconds
    trial = ward.trial(case, [Death(seconds=whole * share) for share in (0.35, 0.6)])
    assert trial.wrong == []
