"""Law: whatever a ledger went through, making it anew from its raw files gives the same database."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from flows.keeping.erase import run_erase
from flows.keeping.erasure_plan import Target
from flows.keeping.withdraw import run_take_back, run_withdraw, withdrawals
from flows.loading.load import run_rebuild, run_reread
from flows.loading.request import request_for
from schemas.errors import InputError
from schemas.lake import LOAD_FILE
from tests.mending.test_withdraw import BY_HAND, HAND
from tests.mending.ward import write_ward
from tests.support.homes import NOW, differences, load, make_home, published
from tests.support.searching import places_of

_DRAINS = {
    "TUBE-A1": ("lakeside", "PAT-ANNA"),
    "TUBE-B1": ("lakeside", "PAT-BERT"),
    "TUBE-C1": ("lakeside", "PAT-CARA"),
}


@pytest.fixture(scope="module")
def pile(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    """The ward's files, a registry corrected twice, and a log that waits for a profile."""
    folder = tmp_path_factory.mktemp("pile") / "landing"
    files = write_ward(folder)
    registry = (folder / "registry.csv").read_text()
    corrected = folder / "corrected.csv"
    corrected.write_text(registry.replace("04-01T06", "04-02T06").replace("DV-1/1,wedge", "DV-1/1,resection"))
    moved = folder / "moved.csv"
    moved.write_text(registry.replace("04-01T06", "04-03T06").replace("2031-03-10T10:00", "2031-03-10T10:20"))
    hand = folder / "by hand.csv"
    hand.write_bytes(BY_HAND)
    return [*files, corrected, moved, hand]


class _History:
    """A ledger and what may happen to it next."""

    def __init__(self, root: Path, pile: list[Path], draw: st.DrawFn) -> None:
        self.home, self.pile, self.draw = make_home(root), pile, draw
        self.erased: list[str] = []

    def load(self) -> None:
        load(self.home, self.draw(st.lists(st.sampled_from(self.pile), min_size=1, max_size=6, unique=True)))

    def withdraw(self) -> None:
        out = {one.digest for one in withdrawals(self.home)}
        known = sorted(set(self.home.lake.scan(LOAD_FILE).collect()["file_sha256"]) - out)
        if known:
            run_withdraw(self.home, [self.draw(st.sampled_from(known))], "wrong", self.request, NOW)

    def take_back(self) -> None:
        out = sorted(one.digest for one in withdrawals(self.home))
        if out:
            run_take_back(self.home, [self.draw(st.sampled_from(out))], self.request, NOW)

    def mend(self) -> None:
        folder = self.home.root / "profiles"
        folder.mkdir(exist_ok=True)
        (folder / "hand.toml").write_text(
            HAND.replace("mL/min", self.draw(st.sampled_from(["mL/min", "L/min"])))
        )
        run_reread(self.home, [], self.request, NOW)

    def erase(self) -> None:
        tube = self.draw(st.sampled_from(sorted(_DRAINS)))
        site, patient = _DRAINS[tube]
        target = self.draw(st.sampled_from([Target("drain", site, tube), Target("patient", site, patient)]))
        try:
            run_erase(self.home, target, "asked for", self.request, NOW)
        except InputError:
            return  # nothing of theirs was ever loaded, or no longer
        self.erased += [tube] if target.asked == "drain" else [patient, tube]

    @property
    def request(self) -> object:
        return request_for(self.home)


@settings(
    max_examples=5,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
@given(data=st.data())
@pytest.mark.long
def test_a_rebuild_gives_the_database_that_a_history_left(
    data: st.DataObject, tmp_path_factory: pytest.TempPathFactory, pile: list[Path]
) -> None:
    history = _History(tmp_path_factory.mktemp("history"), pile, data.draw)
    history.load()
    kinds = st.sampled_from(["load", "load", "withdraw", "take_back", "mend", "erase"])
    for step in data.draw(st.lists(kinds, min_size=3, max_size=6)):
        getattr(history, step)()
    home = history.home
    before = published(home)
    run_rebuild(home, history.request, NOW)
    assert differences(published(home), before) == []
    assert places_of(home.root, history.erased) == []
    assert not load(home, []).published
