"""
The long tests: `python -m tests.soak [kills N] [mutants N] [--seed S] [--keep DIR]`; `make soak` runs both in full.

Prints what was done, how it ended and what did not survive; exit status 1 at any failure.
"""

from __future__ import annotations

import argparse
import random
import resource
import shutil
import sys
import tempfile
import time
import traceback
from collections import Counter
from pathlib import Path

from pipeline.query.reader import reader
from pipeline.store import Home
from tests.faults.kills import CASES, FILES, Case, Trial, Ward
from tests.faults.mortal import Death, Mortals
from tests.soak.judging import judge
from tests.soak.mutants import SEEDS, bomb, mutant
from tests.support.homes import make_home

KILLS, MUTANTS = 300, 10_000
BATCH = 500  # mutants that are loaded together into a home


def main() -> int:
    """Run what was asked for; 0 where everything survived."""
    parser = argparse.ArgumentParser(prog="python -m tests.soak")
    parser.add_argument("--kills", type=int, default=KILLS)
    parser.add_argument("--mutants", type=int, default=MUTANTS)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--keep", type=Path, default=Path(".cache/soak"), help="where failing mutants go")
    asked = parser.parse_args()
    failures = 0
    with tempfile.TemporaryDirectory(prefix="drainledger-soak-") as room, Mortals() as mortals:
        if asked.kills:
            failures += kill(asked.kills, asked.seed, Path(room) / "kills", mortals)
        if asked.mutants:
            failures += mutate(asked.mutants, asked.seed, Path(room) / "mutants", mortals, asked.keep)
    print("everything survived" if failures == 0 else f"{failures} failures")
    return 1 if failures else 0


def kill(kills: int, seed: int, room: Path, mortals: Mortals) -> int:
    """Kill work on homes at random moments until so many processes have died in it; the number of failures."""
    chance = random.Random(seed)
    began = time.monotonic()
    ward = Ward(room, mortals)
    for case in CASES:
        ward.undisturbed(case)
    trials: list[Trial] = []
    while sum(trial.kills for trial in trials) < kills:
        case = chance.choice(CASES)
        deaths = [_death(chance, ward, case) for _ in range(chance.choice((1, 3, 4, 5, 6)))]
        trial = ward.trial(case, deaths)
        trials.append(trial)
        killed = sum(trial.kills for trial in trials)
        if killed // 25 > (killed - trial.kills) // 25:
            print(f"{killed} killed, {time.monotonic() - began:.0f} s", file=sys.stderr, flush=True)
        for wrong in trial.wrong:
            print(f"FAILED {case.name}: {wrong}", flush=True)
    failures = sum(bool(trial.wrong) for trial in trials)
    print(
        f"kills: seed {seed}, {time.monotonic() - began:.0f} s, peak memory of a life {_peak(trials):.0f} MB"
    )
    print(f"  {'work':10}{'homes':>7}{'lives':>7}{'killed':>8}{'by clock':>10}{'unharmed':>10}")
    for name in [*(case.name for case in CASES), "all"]:
        some = [trial for trial in trials if name in (trial.case, "all")]
        killed = [place for trial in some for place in trial.at if not place.endswith("(lived)")]
        print(
            f"  {name:10}{len(some):7}{sum(trial.lives for trial in some):7}{len(killed):8}"
            f"{sum(place.endswith(' s') for place in killed):10}{sum(not trial.wrong for trial in some):10}"
        )
    return failures


def _death(chance: random.Random, ward: Ward, case: Case) -> Death:
    whole = ward.undisturbed(case)[2]
    if chance.random() < 0.5:
        return Death(seconds=chance.uniform(0.02, 1.0) * whole.seconds)
    return Death(nth=chance.randint(1, max(whole.moments, 1)))


def _peak(trials: list[Trial]) -> float:
    return max(trial.peak_mb for trial in trials)


def mutate(mutants: int, seed: int, room: Path, mortals: Mortals, keep: Path) -> int:
    """Read so many mutants, and load them in batches beside sound files; the number of failures."""
    began = time.monotonic()
    outcomes: Counter[str] = Counter()
    failed: list[int] = []
    slowest, loads, peak_load = 0.0, 0, 0.0
    for start in range(0, mutants, BATCH):
        landing = room / "landing"
        landing.mkdir(parents=True)
        for name, data in FILES.items():
            (landing / name).write_bytes(data)
        numbers = [seed * 10_000_000 + start + at for at in range(min(BATCH, mutants - start))]
        for number in numbers:
            made = mutant(number)
            (landing / f"{number} {made.name}").write_bytes(made.data)
            before = time.process_time()
            try:
                outcomes[judge(made.name, made.data)] += 1
            except Exception as error:
                failed.append(number)
                _keep(keep, number, made.data, f"{made.made}\n{''.join(traceback.format_exception(error))}")
                print(
                    f"FAILED mutant {number} ({made.made}): {type(error).__name__}: {str(error)[:200]}",
                    flush=True,
                )
            slowest = max(slowest, time.process_time() - before)
        home = make_home(room / "home")
        end = mortals.run("load", home.root, [landing])
        loads, peak_load = loads + 1, max(peak_load, end.peak_mb)
        if end.status != 0 or _uncounted(home):
            failed.append(-numbers[0])
            (keep / f"batch-{numbers[0]}").mkdir(parents=True, exist_ok=True)
            for path in landing.iterdir():
                (keep / f"batch-{numbers[0]}" / path.name).write_bytes(path.read_bytes())
            print(f"FAILED load of mutants {numbers[0]} to {numbers[-1]}: {end.said[-500:]}", flush=True)
        shutil.rmtree(room)
        print(
            f"{start + len(numbers)} mutants, {time.monotonic() - began:.0f} s", file=sys.stderr, flush=True
        )
    bombs = _bombs(outcomes, failed)
    print(
        f"mutants: {mutants} of {len(SEEDS)} sound files and {bombs} bombs, seed {seed}, {time.monotonic() - began:.0f} s"
    )
    for outcome, times in sorted(outcomes.items()):
        print(f"  {outcome:24}{times:8}")
    print(f"  {'did not survive':24}{len(failed):8}")
    print(f"  slowest to read {slowest:.1f} s of computing; peak memory of reading {_own_peak():.0f} MB")
    print(
        f"  {loads} loads of {BATCH} beside {len(FILES)} sound files; peak memory of a load {peak_load:.0f} MB"
    )
    return len(failed)


def _bombs(outcomes: Counter[str], failed: list[int]) -> int:
    """Small gzip files that unpack to some 500 MB of one thing, within and beyond the limit."""
    head = FILES["a first.csv"][:600]
    sizes = [(unit, 500 << 20) for unit in (b"\0", b"\n", b"1,2\n", b"9", b",", b"\xff", b'"')] + [
        (b"\0", 700 << 20)
    ]
    for unit, size in sizes:
        try:
            outcomes[f"bomb: {judge('a first.csv', bomb(size, unit, head))}"] += 1
        except Exception as error:
            failed.append(0)
            print(f"FAILED bomb of {unit!r}: {type(error).__name__}: {str(error)[:200]}", flush=True)
    return len(sizes)


def _uncounted(home: Home) -> int:
    with reader(home.database) as connection:
        asked = "SELECT count(*) FROM load_file WHERE rows_read <> rows_kept + rows_rejected"
        found = connection.execute(asked).fetchone()
    return int(found[0]) if found else 1


def _keep(folder: Path, number: int, data: bytes, said: str) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    (folder / f"{number}.bin").write_bytes(data)
    (folder / f"{number}.txt").write_text(said)


def _own_peak() -> float:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


if __name__ == "__main__":
    sys.exit(main())
