"""The command line's one application, and the words its commands share."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

from cyclopts import App, Group, Parameter

from schemas.errors import InputError

if TYPE_CHECKING:
    from datetime import datetime

    from pipeline.store import Home

VARIABLE = "DRAINLEDGER_STORE"  # where a new home keeps its raw files and its lake

CAUTION = (
    "Looks back at finished therapy, for audit, teaching and research. Not a monitor or a medical device: "
    "it decides nothing at the bedside. Whoever is licensed to treat the patient decides, under "
    "local protocol."
)

app = App(
    name="drainledger",
    help=f"A ledger of finished chest drainage: from exported per-minute logs to a database.\n\n{CAUTION}",
    version_flags=["--version"],
    version=lambda: _version(),
    help_format="plaintext",
    help_formatter="plain",
    result_action="return_value",
    suppress_keyboard_interrupt=False,
    exit_on_error=False,
    print_error=False,
)
app.meta.group_parameters = Group("Everywhere", sort_key=0)

# Where a command stands in the help.
TRY = Group("Try", sort_key=1)
TAKE_IN = Group("Take in", sort_key=2)
LOOK = Group("Look", sort_key=3)
RESEARCH = Group("Compare and hand out", sort_key=4)
KEEP = Group("Keep in order", sort_key=5)

HomeDir = Annotated[Path, Parameter(parse=False)]
Json = Annotated[bool, Parameter(name="--json", negative="", help="Print JSON for a script.")]
Profile = Annotated[
    str | None,
    Parameter(help="Read every file with this one profile, a name or a TOML file; not by its own."),
]
Site = Annotated[str | None, Parameter(help="Site of files that do not say theirs.")]


def examples(*calls: str) -> str:
    """Worked calls of a command, as its help ends with."""
    return "\n".join(["For example:", *(f"  drainledger {call}" for call in calls)])


def open_home(path: Path) -> Home:
    """The home at `path`, whether or not there is one yet."""
    from pipeline.store import Home

    return Home(path)


def open_ledger(path: Path) -> Home:
    """The home at `path`; raises InputError where nothing was ever loaded."""
    home = open_home(path)
    if not home.exists():
        raise InputError(
            f"home {path}: there is no ledger here; load files first, or name another with --home"
            f"{_near(path)}."
        )
    return home


def _near(path: Path) -> str:
    """A ledger beside the one that is not there, whose name is like it."""
    from pipeline.meant import nearest_few
    from pipeline.store import Home

    beside = [one.name for one in path.parent.iterdir() if one.is_dir()] if path.parent.is_dir() else []
    like = [name for name in nearest_few(path.name, beside, 3) if Home(path.parent / name).exists()]
    return f" ({path.parent / like[0]} is one)" if like else ""


def now() -> datetime:
    """The moment of the call: the one place where a command reads the clock."""
    from datetime import UTC, datetime

    return datetime.now(UTC)


def _version() -> str:
    from pipeline.provenance import code_version

    return code_version()
