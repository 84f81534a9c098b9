"""What was erased for good, told by keyed marks: enough to keep it out, too little to say whose it was."""

from __future__ import annotations

import hashlib
import hmac
import re
from collections.abc import Collection, Iterable, Iterator
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta

import polars as pl

_HEX = 24  # 96 bits of each mark: no two of a billion are the same by chance
_WORD = re.compile(r"[^\s,;|\"'()\[\]{}<>=/\\#]+")
_DAY = timedelta(days=1)


@dataclass(frozen=True)
class Erased:
    """
    The marks of everything that was erased from a ledger.

    A mark is a keyed digest (HMAC-SHA256 under the ledger's secret) of a patient's key at a site, a drain's
    key, a word, a file's digest, a session of a device, or a day or minute of its wall clock. Whoever holds a
    file can be told which of its rows were erased; whoever holds the marks alone learns nothing, not even
    when.

    Examples
    --------
    >>> erased = Erased(b"secret", frozenset())
    >>> known = erased.with_marks({erased.patient("lakeside", "4711")})
    >>> known.patient("lakeside", "4711") in known.marks, known.patient("hillside", "4711") in known.marks
    (True, False)
    """

    secret: bytes = field(repr=False)
    marks: frozenset[str]

    def with_marks(self, more: Iterable[str]) -> Erased:
        """The same and further marks."""
        return Erased(self.secret, self.marks | frozenset(more))

    def patient(self, site: str, key: str) -> str:
        """Mark of a patient by the hospital's key."""
        return self._mark("patient", site, key)

    def drain(self, site: str, key: str) -> str:
        """Mark of a drain by the hospital's key."""
        return self._mark("drain", site, key)

    def pseudonym(self, drain_id: str) -> str:
        """Mark of a drain by the name it was published under."""
        return self._mark("pseudonym", drain_id)

    def word(self, word: str) -> str:
        """Mark of a key as a word of free text."""
        return self._mark("word", word.casefold())

    def file(self, digest: str) -> str:
        """Mark of a file that was erased whole."""
        return self._mark("file", digest)

    def was(self, digest: str) -> str:
        """Mark of a file that something was taken out of; it may come again, and loses the same."""
        return self._mark("was", digest)

    def session(self, site: str, device: str, session: int) -> str:
        """Mark of a session some of whose minutes were erased."""
        return self._mark("session", site, device, str(session))

    def day(self, site: str, device: str, session: int, day: date) -> str:
        """Mark of a day of the wall clock, all of whose minutes in that session were erased."""
        return self._mark("day", site, device, str(session), day.isoformat())

    def minute(self, site: str, device: str, session: int, clock: datetime) -> str:
        """Mark of one minute of the wall clock in that session."""
        return self._mark("minute", site, device, str(session), clock.isoformat(timespec="minutes"))

    def stretch(
        self,
        site: str,
        device: str,
        session: int,
        first: datetime,
        last: datetime,
        keep: Collection[datetime],
    ) -> Iterator[str]:
        """
        Marks of a stretch of wall clock in one session, both ends included.

        Parameters
        ----------
        keep
            Minutes of the session that belong to somebody else; never marked.
        """
        yield self.session(site, device, session)
        kept_days = {clock.date() for clock in keep}
        day = first.date()
        while day <= last.date():
            begins = max(first, datetime.combine(day, datetime.min.time()))
            ends = min(last, datetime.combine(day, datetime.max.time()))
            whole = begins.time() == datetime.min.time() and ends.hour == 23 and ends.minute == 59
            if whole and day not in kept_days:
                yield self.day(site, device, session, day)
            else:
                clock = begins.replace(second=0, microsecond=0)
                while clock <= ends:
                    if clock not in keep:
                        yield self.minute(site, device, session, clock)
                    clock += timedelta(minutes=1)
            day += _DAY

    def minutes(self, rows: pl.DataFrame) -> pl.Series:
        """
        Which rows of a log were erased.

        Parameters
        ----------
        rows
            `site`, `device`, `session`, `clock`.
        """
        none = pl.repeat(False, rows.height, dtype=pl.Boolean, eager=True)
        if not self.marks or rows.height == 0:
            return none
        key = ["site", "device", "session"]
        pairs = [pair for pair in rows.select(key).unique().rows() if self.session(*pair) in self.marks]
        if not pairs:
            return none
        some = pl.DataFrame(pairs, schema={name: rows.schema[name] for name in key}, orient="row")
        near = rows.select(*key, "clock").unique().join(some, on=key, how="semi")
        days: dict[tuple[str, str, int, date], bool] = {}
        found = []
        for site, device, session, clock in near.iter_rows():
            whose = (site, device, session, clock.date())
            if whose not in days:
                days[whose] = self.day(*whose) in self.marks
            if days[whose] or self.minute(site, device, session, clock) in self.marks:
                found.append((site, device, session, clock))
        schema = {name: rows.schema[name] for name in [*key, "clock"]}
        hit = pl.DataFrame(found, schema=schema, orient="row").with_columns(hit=pl.lit(True))
        joined = rows.select(*key, "clock").join(hit, on=[*key, "clock"], how="left", maintain_order="left")
        return joined["hit"].fill_null(False)

    def is_patients(self, site: str, patient_key: str | None, drain_key: str | None) -> bool:
        """Whether a row of a registry or an annotation file is of an erased patient or drain."""
        return (patient_key is not None and self.patient(site, patient_key) in self.marks) or (
            drain_key is not None and self.drain(site, drain_key) in self.marks
        )

    def words_in(self, text: str) -> list[str]:
        """The words of a text that are keys of erased patients or drains, each once, in order."""
        if not self.marks:
            return []
        words: dict[str, None] = {}
        for word in _WORD.findall(text):
            for part in {word, *re.split(r"[^\w-]|_", word), word.strip(".:,-_")}:
                if part and part not in words and self.word(part) in self.marks:
                    words[part] = None
        return list(words)

    def _mark(self, *parts: str) -> str:
        text = "".join(f"{len(part)}:{part};" for part in ("erased", *parts))
        return hmac.new(self.secret, text.encode(), hashlib.sha256).hexdigest()[:_HEX]


def is_telling(key: str) -> bool:
    """
    Whether a key is odd enough to be looked for as a word: "4" or "17" would be found everywhere.

    Examples
    --------
    >>> is_telling("K1"), is_telling("17"), is_telling("4711034")
    (True, False, True)
    """
    return len(key) >= (5 if key.isdigit() else 2)
