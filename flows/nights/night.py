"""What a night did: in one line for a mail, in figures for an artifact, in full for a script."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from flows.exits import DONE, SOME_REJECTED
from flows.loading.findings import DOES_NOT_ADD_UP, findings_words
from flows.loading.load import Summary
from flows.loading.naming import names_apart
from flows.loading.outcome import again_words, unended_words
from flows.loading.survey import name_of
from flows.nights.clearing import Cleared
from flows.nights.landing import Look
from flows.nights.runs import counts_of, finished_words
from pipeline.store.seen import Fate


@dataclass(frozen=True)
class Night:
    """
    What a night did.

    Parameters
    ----------
    rules
        Rule → how many files or rows of this night's it rejected.
    """

    look: Look
    summary: Summary
    cleared: Cleared
    rules: dict[str, int] = field(default_factory=dict)
    seconds: dict[str, float] = field(default_factory=dict)
    report: Path | None = None

    @property
    def unread(self) -> int:
        """Files and folders that could not be read from disk."""
        in_folder = sum(sight.fate == Fate.UNREAD for sight in self.look.left)
        return in_folder + sum(not o.digest for o in self.summary.outcomes)

    @property
    def exit(self) -> int:
        """0: done; 1: done, but something was rejected or could not be read, or a profile not used."""
        news_clean = all(o.clean for o in self.summary.new) and not self.unread
        done = news_clean and not self.cleared.stayed and not self.summary.set_aside
        return DONE if done else SOME_REJECTED

    @property
    def counts(self) -> dict[str, int]:
        """The night in figures, none of which names anything."""
        return counts_of(self.summary) | {
            "known": len(self.look.known) + sum(o.known for o in self.summary.outcomes),
            "left": sum(sight.fate == Fate.LEFT for sight in self.look.left),
            "unread": self.unread,
        }

    def line(self) -> str:
        """The night in one line."""
        count = self.counts
        parts = [
            f"{count['new']} new file{'' if count['new'] == 1 else 's'} ({count['rejected']} rejected), "
            f"{count['known']} known, {count['left']} left for the next run"
        ]
        if self.summary.finished:
            parts.append(finished_words(count))
        if self.summary.again:
            parts.append(again_words(self.summary.again))
        if count["unread"]:
            parts.append(f"{count['unread']} could not be read")
        if aside := len(self.summary.set_aside):
            parts.append(f"{aside} profile{'' if aside == 1 else 's'} that cannot be used set aside")
        parts.append(f"{count['rows_kept']} rows kept, {count['rows_rejected']} rejected")
        if count["unended"]:
            parts.append(unended_words(count["unended"]))
        parts.append(f"{count['drains']} drain{'' if count['drains'] == 1 else 's'} summarised")
        parts.append("published" if count["published"] else "nothing to publish")
        if self.summary.findings:
            parts.append(f"{DOES_NOT_ADD_UP.lower()}: {findings_words(self.summary.findings)}")
        if self.cleared.gone or self.cleared.stayed:
            stuck = f", {len(self.cleared.stayed)} could not be" if self.cleared.stayed else ""
            parts.append(f"{len(self.cleared.gone)} cleared from the landing folder{stuck}")
        return "; ".join(parts) + f"; {sum(self.seconds.values()):.0f} s"

    def facts(self) -> dict[str, Any]:
        """Everything as plain values, for JSON; with the names of files, for whoever runs the ledger."""
        names = names_apart(sight.path for sight in self.look.left)
        return {
            "exit": self.exit,
            "said": self.line(),
            "counts": self.counts,
            "rules": self.rules,
            "findings": dict(self.summary.findings),
            "profiles_set_aside": list(self.summary.set_aside),
            "seconds": self.seconds,
            "files": [o.__dict__ for o in self.summary.outcomes],
            "read_again": [o.__dict__ for o in self.summary.again],
            "left": [
                {"name": names[sight.path], "fate": sight.fate.value, "why": sight.why}
                for sight in self.look.left
            ],
            "litter": self.look.litter,
            "cleared": len(self.cleared.gone),
            "not_cleared": [{"name": name_of(path), "why": why} for path, why in self.cleared.stayed],
            "report": None if self.report is None else str(self.report),
        }
