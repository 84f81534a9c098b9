"""`erase`: a patient's, a drain's, or old data taken out of the ledger for good."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime

from flows.keeping.erasing import conclude, sweep_files
from flows.keeping.erasure_plan import Plan, Target, plan_erasure
from flows.loading.door import erased_of
from flows.loading.load import Progress, Summary, at_work, compute_and_publish, silent
from flows.loading.request import Request
from pipeline.provenance import digest_of_texts
from pipeline.store import Home, moments
from pipeline.store.erasures import Erasure, read_erasures, write_erasure
from pipeline.store.journal import read_readings
from pipeline.store.moments import Moment
from schemas.errors import CallError

_WHY_MOST = 500


@dataclass(frozen=True)
class Erased:
    """What came of it: the plan, the record (null: a dry run), and what the new publication took."""

    plan: Plan
    record: Erasure | None = None
    summary: Summary | None = None


def run_erase(
    home: Home,
    target: Target,
    why: str,
    request: Request,
    now: datetime,
    *,
    dry_run: bool = False,
    progress: Progress = silent,
) -> Erased:
    """
    Take data out of raw files, lake (all versions), private store and database; leave a record of marks.

    Other patients' rows in the same files stay, each on its line. The record says when, why, how many, and
    which extracts hold some of it; it keeps the same data from coming in again. Killed at any moment after
    the record is written, the next command finishes it; before, nothing has happened.

    Parameters
    ----------
    why
        For the record; must not name the patient.
    dry_run
        Say what would go, and change nothing.

    Raises
    ------
    CallError
        When the reason is missing or names an erased key.
    InputError
        When there is nothing to erase.
    """
    why = " ".join(why.split())
    if not dry_run and not 0 < len(why) <= _WHY_MOST:
        raise CallError(f"erase: --why takes a reason of 1 to {_WHY_MOST} signs that names nobody; say why.")
    with at_work(home, request, now):
        if any(not erasure.done for erasure in read_erasures(home.private)):
            compute_and_publish(home, request, now, progress)
        plan = plan_erasure(home, target, request)
        if not plan.marks:
            return Erased(plan)
        told = erased_of(home)
        known = type(told)(home.secret(), told.marks | plan.marks)
        if dry_run:
            return Erased(plan)
        if known.words_in(why):
            raise CallError(
                "erase: --why names an erased key, and the record must name nobody; say it without."
            )
        record = Erasure(
            name=digest_of_texts(sorted(plan.marks))[:12],
            erased_on=now.astimezone(UTC).date().isoformat(),
            asked=target.asked,
            why=why,
            counts=plan.counts,
            extracts=(*plan.extracts, *plan.unsure),
            marks=tuple(sorted(plan.marks)),
            files=plan.files,
        )
        write_erasure(home.private, record)
        moments.passed(Moment.BEGUN)
        sweep_files(home, record, request, now)
        done = compute_and_publish(home, request, now, progress)
        conclude(home, [record])
        return Erased(plan, record.finished, Summary((), (), *done))


def run_erase_again(home: Home, request: Request, now: datetime, progress: Progress = silent) -> Summary:
    """
    Carry out every erasure on record once more, on all files: after an older backup was brought back.

    The records of later erasures are put beside the restored ones first (`private/erased/` of the ledger).
    """
    with at_work(home, request, now):
        every = tuple(reading.digest for reading in read_readings(home.readings))
        again = [
            Erasure(**{**erasure.__dict__, "files": every, "done": False})
            for erasure in read_erasures(home.private)
        ]
        for erasure in again[:1]:  # the door knows the marks of all of them
            sweep_files(home, erasure, request, now)
        done = compute_and_publish(home, request, now, progress)
        conclude(home, again)
        return Summary((), (), *done)
