"""What a load says of logs that it took in and `check` doubts: which profile to look at, and how."""

from __future__ import annotations

import shlex
from collections.abc import Sequence
from pathlib import Path

from flows.loading.outcome import Outcome
from flows.show.plain import plain


def doubted_words(
    outcomes: Sequence[Outcome], names: Sequence[str], home: Path, profile: str | None = None
) -> list[str]:
    """
    A line for each profile that read a log and is probably not right about it; none where none is.

    Nothing was rejected for a doubt, so nobody would look: the line has the first doubt, how many there are
    besides, and the call that lists those of the file with the most.

    Parameters
    ----------
    profile
        What was said as --profile, as it was typed.

    Examples
    --------
    >>> two = ("see [units]", "see decimal")
    >>> a = Outcome("a.csv", "1f", "loaded", folder="in", read_as="mill", doubts=two)
    >>> doubted_words([a], ["a.csv"], Path("ledger"))[0]
    'Loaded, and doubtful: 1 file read with profile mill (a.csv: see [units]; and 1 more). What and where:
    drainledger --home ledger check in/a.csv'
    """
    by: dict[str, list[tuple[Outcome, str]]] = {}
    for outcome, name in zip(outcomes, names, strict=True):
        if outcome.doubts:
            by.setdefault(outcome.read_as or "unknown", []).append((outcome, name))
    lines = []
    for read_as, files in sorted(by.items()):
        worst, name = max(files, key=lambda pair: len(pair[0].doubts))
        rest = len(worst.doubts) - 1
        more = f"; and {rest} more" if rest else ""
        many = f"{len(files)} file{'' if len(files) == 1 else 's'}"
        call = ["drainledger", "--home", str(home), "check", str(Path(worst.folder or "") / worst.name)]
        if profile is not None:
            call += ["--profile", profile]
        lines.append(
            f"Loaded, and doubtful: {many} read with profile {read_as} ({name}: "
            f"{plain(worst.doubts[0])}{more}). What and where: {plain(shlex.join(call))}"
        )
    return lines
