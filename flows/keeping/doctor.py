"""`doctor`: a look over everything a ledger stands on and holds. Reads only."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import datetime

from flows.keeping import doctor_machine as machine
from flows.keeping import doctor_store as store
from flows.keeping.finding import Finding, Grade, advice, broken, fine
from flows.loading.request import request_for
from flows.nights.night_settings import FILE, night_settings
from pipeline.cohort import load_rules
from pipeline.definitions import load_definitions
from pipeline.store import Home
from pipeline.store.engine_words import first_sentence
from schemas.errors import DrainledgerError

Check = Callable[[], Iterator[Finding]]


def examine(home: Home, now: datetime, *, every: bool = False) -> list[Finding]:
    """
    Look a ledger over; what fails on the way is a finding, not an end.

    Writes nothing, takes no lock and may run beside a load: what that is writing just then can look broken,
    and is said to be written.

    Parameters
    ----------
    every
        Hash every raw file and read every part's footer, not a sample of each.

    Returns
    -------
    Findings in the order of the checks; none for what is not there to be looked at.
    """
    found = list(_checked("versions", machine.versions))
    settings = list(_checked("settings", lambda: _settings(home)))
    found += settings
    try:
        definitions = load_definitions()
    except DrainledgerError:  # told with the settings; nothing more can be asked without a figure
        return found
    checks: tuple[tuple[str, Check], ...] = (
        ("night", lambda: _night(home)),
        ("permissions", lambda: machine.permissions(home)),
        ("space", lambda: machine.space(home, definitions)),
        ("key", lambda: store.key(home)),
        ("lake", lambda: store.lake(home, definitions, every=every)),
        ("earlier parts", lambda: store.orphans(home)),
        ("clock", lambda: machine.clock(home, now, definitions)),
        ("time zones", lambda: machine.zones(home)),
        ("raw files", lambda: store.raw(home, every=every)),
        ("database", lambda: store.database(home, definitions, whole=not _lake_broken(found))),
        ("leftovers", lambda: store.left_behind(home)),
    )
    for name, check in checks:
        found += _checked(name, check, lake_broken=_lake_broken(found))
    return found


def _lake_broken(found: list[Finding]) -> bool:
    return any(one.check == "lake" and one.grade is Grade.BROKEN for one in found)


def worst(findings: list[Finding]) -> Grade:
    """The gravest of the findings' grades."""
    order = list(Grade)
    return max((finding.grade for finding in findings), key=order.index, default=Grade.FINE)


def _settings(home: Home) -> Iterator[Finding]:
    """Definitions, profiles and rules can be read."""
    definitions = load_definitions()
    request = request_for(home)
    rules = load_rules()
    for sentence in request.set_aside:
        said, _, do = sentence.rstrip(".").rpartition(". ")
        yield broken("settings", said or do, "", do if said else "mend it; files of its layout wait")
    yield fine(
        "settings",
        f"definitions {definitions.digest[:12]}, {len(request.profiles)} profiles, {len(rules)} rules "
        "can be read",
    )


def _night(home: Home) -> Iterator[Finding]:
    """What the home says of its nights can be read, where it says anything."""
    if (home.root / FILE).exists():
        settings = night_settings(home.root, environment={})
        yield fine("night", f"{FILE} can be read; served, it runs at {settings.cron} {settings.timezone}")


def _checked(name: str, check: Check, *, lake_broken: bool = False) -> Iterator[Finding]:
    try:
        yield from check()
    except DrainledgerError as error:
        said, _, do = str(error).rstrip(".").rpartition("; ")
        yield broken(name, said or do, "", do if said else "mend that and look again")
    except Exception as error:  # a look must go on past whatever is broken; the fault itself is what it found
        yield _failed(name, error, lake_broken=lake_broken)


def _failed(name: str, error: Exception, *, lake_broken: bool) -> Finding:
    if lake_broken:  # told already, with the part it is
        return advice(
            name, "could not be looked at while the lake is broken", "", "mend the lake and look again"
        )
    if isinstance(error, OSError):
        where = str(error.filename or "")
        return broken(name, error.strerror or str(error), where, "mend that and look again")
    return broken(
        name,
        f"could not be looked at ({type(error).__name__}: {first_sentence(error)})",
        "",
        "mend what else is found first, or run `drainledger rebuild`",
    )
