"""Work on a home that is killed again and again, then done once more: is everything as if nobody had died?"""

from __future__ import annotations

import shutil
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from pipeline.marts import dump
from pipeline.store import Home
from schemas.errors import LedgerError
from tests.faults.mortal import Death, End, Mortals
from tests.faults.remains import Contents, contents, differences, strays
from tests.laws.conftest import ANNOTATIONS, CORRECTED, REGISTRY, v1
from tests.support.homes import make_home

FILES = {
    "a first.csv": v1("DV-1", 0, 70, "2031-03-10T16:00:00+01:00"),
    "a second.csv": v1("DV-1", 40, 90, "2031-03-10T18:00:00+01:00"),
    "b.csv": v1("DV-2", 0, 60, "2031-03-10T14:00:00+01:00").replace(b",run,", b",walk,", 2),
    "c.csv": v1("DV-3", 61, 100, "2031-03-10T21:00:00+01:00", leak=0),
    "d unlinked.csv": v1("DV-4", 0, 30, "2031-03-10T21:00:00+01:00", site="hillside"),
    "memo.txt": b"Dear all, the minutes of the meeting follow.\n",
    "registry.csv": REGISTRY,
    "annotations.csv": ANNOTATIONS,
    "registry corrected.csv": CORRECTED.replace(b"15:00:00", b"09:00:00"),
}
_LOGS = ("a first.csv", "a second.csv", "b.csv", "c.csv", "d unlinked.csv", "memo.txt")
_WARD = ("registry.csv", "annotations.csv")

Dump = dict[str, list[tuple[object, ...]]]


@dataclass(frozen=True)
class Case:
    """
    One kind of work to be killed.

    `before`: loads that made the home, each a tuple of names in FILES; `work` and `given`: what is done to
    it; `spoil`: what happened to the home in between; `readable`: whether readers get answers meanwhile.
    """

    name: str
    before: tuple[tuple[str, ...], ...]
    work: str
    given: tuple[str, ...] = ()
    spoil: Callable[[Home], None] | None = None
    readable: bool = True


def _break_lake(home: Home) -> None:
    for part in (home.root / "lake" / "minute").rglob("*.parquet"):
        part.chmod(0o600)
        part.write_bytes(b"PAR1 no longer")


CASES = (
    Case("load", (), "load", (*_LOGS, *_WARD)),
    Case("late", (_LOGS,), "load", _WARD),
    Case("correct", ((*_LOGS, *_WARD),), "load", ("registry corrected.csv",)),
    Case("withdraw", ((*_LOGS, *_WARD),), "withdraw", ("a second.csv", "registry.csv")),
    Case("publish", ((*_LOGS, *_WARD),), "publish"),
    Case("rebuild", ((*_LOGS, *_WARD),), "rebuild"),
    Case("mend", ((*_LOGS, *_WARD),), "rebuild", (), _break_lake, readable=False),
    Case("maintain", (_LOGS, _WARD), "maintain"),
)


@dataclass
class Trial:
    """What came of one home that was killed at: lives that ended in a kill, and all that was wrong."""

    case: str
    kills: int = 0
    lives: int = 0
    at: list[str] = field(default_factory=list)
    wrong: list[str] = field(default_factory=list)
    peak_mb: float = 0.0
    seconds: float = 0.0


class Ward:
    """A folder with the files, and for each case its home as it is before and after, undisturbed."""

    def __init__(self, room: Path, mortals: Mortals) -> None:
        self.room, self.mortals = room, mortals
        self.given = room / "given"
        self.given.mkdir(parents=True)
        for name, data in FILES.items():
            (self.given / name).write_bytes(data)
        self._before: dict[str, Dump | None] = {}
        self._after: dict[str, tuple[Contents, Dump, End]] = {}
        self._bases: dict[tuple[tuple[str, ...], ...], Path] = {}

    def trial(self, case: Case, deaths: Sequence[Death]) -> Trial:
        """One home, killed at each of the deaths in turn, each time begun again, in the end left to live."""
        expected, after, whole = self.undisturbed(case)
        before = self._before[case.name]
        home = self._fresh(case)
        trial = Trial(case.name, seconds=whole.seconds)
        for death in deaths:
            end = self._life(case, home, death)
            trial.lives += 1
            trial.kills += end.killed
            trial.peak_mb = max(trial.peak_mb, end.peak_mb)
            place = death.moment or (f"moment {death.nth}" if death.nth else f"{death.seconds:.3f} s")
            trial.at.append(f"{place}{'' if end.killed else ' (lived)'}")
            if not end.killed and end.status != 0:
                trial.wrong.append(f"after {trial.at}: ended with {end.status}: {end.said}")
            if case.readable:
                seen = _read(home)
                if isinstance(seen, str):
                    trial.wrong.append(f"after {trial.at}: a reader gets {seen}")
                elif seen not in (before, after):
                    trial.wrong.append(f"after {trial.at}: a reader sees neither before nor after")
        end = self._life(case, home, None)
        if end.status != 0:
            trial.wrong.append(f"after {trial.at}: the last life ended with {end.status}: {end.said}")
            return trial
        trial.wrong += [f"after {trial.at}: {one}" for one in differences(contents(home), expected)]
        trial.wrong += [f"after {trial.at}: {path} is left" for path in strays(home)]
        return trial

    def undisturbed(self, case: Case) -> tuple[Contents, Dump, End]:
        """What the home holds after the work is done in one go, and how that went."""
        if case.name not in self._after:
            home = self._fresh(case)
            self._before[case.name] = _dump(home)
            end = self._life(case, home, None)
            assert end.status == 0, end.said
            self._after[case.name] = contents(home), dump(home.database), end
        return self._after[case.name]

    def _life(self, case: Case, home: Home, death: Death | None) -> End:
        return self.mortals.run(case.work, home.root, [self.given / name for name in case.given], death)

    def _fresh(self, case: Case) -> Home:
        """The case's home as it is before, always at the same place: what is published names its folder."""
        root = self.room / "home"
        shutil.rmtree(root, ignore_errors=True)
        base = self._bases.get(case.before)
        if base is None:
            home = make_home(root)
            for names in case.before:
                end = self.mortals.run("load", root, [self.given / name for name in names])
                assert end.status == 0, end.said
            base = self._bases[case.before] = self.room / f"before {len(self._bases)}"
            shutil.copytree(root, base)
        else:
            shutil.copytree(base, root)
            home = Home(root)
        if case.spoil is not None:
            case.spoil(home)
        return home


def _dump(home: Home) -> Dump | None:
    try:
        return dump(home.database)
    except Exception:
        return None


def _read(home: Home) -> Dump | str | None:
    """What a reader sees: the tables, nothing where nothing is published yet, or the words of a fault."""
    if not home.database.exists():
        return None
    try:
        return dump(home.database)
    except (LedgerError, Exception) as error:
        return f"{type(error).__name__}: {error}"[:300]
