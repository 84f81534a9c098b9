"""What a person asked a load to do: profiles, definitions, and the profile and site named for the files."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path

from pipeline.cohort import RemovalRule
from pipeline.definitions import Decides, Definitions, load_definitions
from pipeline.ingest import Profile, load_profiles, read_profile
from pipeline.marts import chart_baselines
from pipeline.provenance import digest_of_sections, digest_of_texts, reading_digest
from pipeline.store import Home
from schemas.errors import CallError
from shared import SHARED


@dataclass(frozen=True)
class Request:
    """
    What a person asked a load to take in and how.

    Parameters
    ----------
    profiles
        All that may be recognised.
    profile
        Name of the one to read every file with; null: recognise.
    site
        Site of files that do not say theirs.
    rules
        Removal rules; null: those that are shipped.
    pinned
        Whether the profile was named as a file of its own, not as one of the shelf.
    take_back
        Whether withdrawn files that are given again are to count again.
    set_aside
        A sentence for each profile on the shelf that cannot be used; files of its layout wait for it.
    """

    profiles: tuple[Profile, ...]
    definitions: Definitions
    profile: str | None = None
    site: str | None = None
    rules: tuple[RemovalRule, ...] | None = None
    pinned: bool = False
    take_back: bool = False
    shelved: tuple[Profile, ...] | None = None
    set_aside: tuple[str, ...] = ()

    @property
    def shelf(self) -> tuple[Profile, ...]:
        """The profiles that lie on the shelf, without one that was named as a file of its own."""
        return self.profiles if self.shelved is None else self.shelved

    # Every file of the ledger is held against these: worked out once a load, not once a file.

    @cached_property
    def reads_by(self) -> str:
        """Digest of the code and the figures that turn bytes into rows."""
        figures = digest_of_sections(self.definitions, self.definitions.deciding(Decides.CELLS))
        return digest_of_texts([reading_digest(), figures])[:16]

    @cached_property
    def shelved_digests(self) -> Mapping[str, str]:
        """Digest of each profile on the shelf, by its name."""
        return {profile.name: profile.digest for profile in self.shelf}

    @cached_property
    def shelf_digest(self) -> str:
        """One digest over all profiles on the shelf."""
        named = sorted(f"{name} {digest}" for name, digest in self.shelved_digests.items())
        return digest_of_texts(named)[:16]

    @property
    def plain(self) -> Request:
        """The same ledger without anything named for the files: how files are read again by themselves."""
        return replace(self, profiles=self.shelf, profile=None, site=None, pinned=False, shelved=None)


def request_for(home: Home, profile: str | None = None, site: str | None = None) -> Request:
    """
    Put a request together: shipped profiles, those in the home's `profiles/`, and the one named.

    A profile on the shelf that cannot be used, a draft for one, is set aside: one site's slip must not keep
    all others waiting.

    Parameters
    ----------
    profile
        Name of a profile, or path of a TOML file.

    Raises
    ------
    CallError
        When there is no profile of that name.
    InputError
        When the profile that is named, the definitions or the charts' baselines are not valid.
    """
    own = home.root / "profiles"
    aside: list[str] = []
    profiles = load_profiles(own if own.is_dir() else None, aside)
    definitions = load_definitions()
    chart_baselines(home.root)  # a slip in it is said before anything is read
    if profile is not None and profile.endswith(".toml"):
        named = read_profile(Path(profile))
        taken = (*(p for p in profiles if p.name != named.name), named)
        return Request(
            taken, definitions, named.name, site, pinned=True, shelved=profiles, set_aside=tuple(aside)
        )
    if profile is not None and profile not in {p.name for p in profiles}:
        for place in (own, SHARED / "profiles"):
            if (place / f"{profile}.toml").is_file():
                read_profile(place / f"{profile}.toml")  # says what is wrong with it
        names = ", ".join(sorted(p.name for p in profiles))
        raise CallError(
            f"profile {profile}: there is none of that name; choose one of {names}, or a TOML file."
        )
    return Request(profiles, definitions, profile, site, set_aside=tuple(aside))
