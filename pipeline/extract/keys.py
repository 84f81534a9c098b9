"""What is secret about one extract: its pseudonyms, the shift of a patient's dates, the seal on own words."""

from __future__ import annotations

import base64
import hashlib
import hmac
from collections.abc import Sequence
from dataclasses import dataclass

from pipeline.cohort.pseudonyms import Kind, pseudonym
from pipeline.provenance import digest_of_texts

_SEAL = "#"
_LETTERS = {"site": "S", "unit": "W"}


def extract_id(secret: bytes, *parts: str) -> str:
    """
    The name of an extract: a keyed digest of the cohort and of everything the extract is made from.

    Keyed, because words of the cohort (a ward's name) could be guessed and tried against a plain digest.
    """
    return "X" + _base32(_mac(secret, "extract", digest_of_texts(parts)), 10)


def shift_days(
    secret: bytes, patient: tuple[str, str], least: int, most: int, *, whole_weeks: bool = False
) -> int:
    """
    By how many days a patient's dates are moved: always back, from `least` to `most` days.

    The shift hangs on the ledger's secret and the patient alone, so that all drains of the patient move
    together in every extract: a new shift for each would let somebody who holds several take their mean.
    Moved back, no date lies in the future; by at least a year, no date of a year's cohort is a true one.

    Parameters
    ----------
    patient
        Site and the hospital's key; where no registry says, the pseudonym of the drain.
    whole_weeks
        Multiples of seven only, so that days of the week stay.

    Examples
    --------
    >>> -1096 <= shift_days(b"secret", ("lakeside", "4711"), 366, 1096) <= -366
    True
    >>> shift_days(b"secret", ("lakeside", "4711"), 366, 1096, whole_weeks=True) % 7
    0
    """
    number = int.from_bytes(_mac(secret, "date_shift", digest_of_texts(patient)), "big")
    if whole_weeks:
        first, last = -(-least // 7), most // 7
        return -7 * (first + number % (last - first + 1))
    return -(least + number % (most - least + 1))


@dataclass(frozen=True)
class ExtractKey:
    """
    Makes the names of one extract.

    Of another extract the same drain has another name, so that neither extracts nor the published database
    can be laid side by side by name: the database's `drain_id` beside a shifted date would tell the shift.
    """

    secret: bytes
    extract: str

    def drain(self, drain_id: str) -> str:
        """Pseudonym of a drain."""
        return pseudonym(self._own, Kind.DRAIN, drain_id)

    def operation(self, operation_id: str) -> str:
        """Pseudonym of an operation."""
        return pseudonym(self._own, Kind.OPERATION, operation_id)

    def patient(self, site: str, patient_key: str) -> str:
        """Pseudonym of a patient."""
        return pseudonym(self._own, Kind.PATIENT, site, patient_key)

    def place(self, column: str, *names: str) -> str:
        """Pseudonym of a site, or of a unit within its site."""
        return _LETTERS[column] + _base32(_mac(self._own, column, digest_of_texts(names)), 5)

    def seal(self, column: str, word: str) -> str:
        """
        A word of the site's own as it may stand in a manifest: only the secret tells it.

        What is sealed stays as it is.
        """
        if is_sealed(word):
            return word
        return _SEAL + _base32(_mac(self._own, "word", digest_of_texts([column, word])), 10)

    def unsealed(self, column: str, words: Sequence[str], known: Sequence[str]) -> list[str]:
        """Words in the clear again, where they are among the known ones; others stay sealed."""
        clear = {self.seal(column, word): word for word in known}
        return [clear.get(word, word) for word in words]

    def check(self) -> str:
        """A word that only the holder of this secret makes of this extract: is a key the right one?"""
        return self.seal("key", self.extract)

    @property
    def _own(self) -> bytes:
        return _mac(self.secret, "extract_key", self.extract)


def is_sealed(word: str) -> bool:
    """Whether a word is a seal."""
    return word.startswith(_SEAL) and len(word) == 17


def _mac(key: bytes, purpose: str, text: str) -> bytes:
    return hmac.new(key, f"{purpose}\0{text}".encode(), hashlib.sha256).digest()


def _base32(digest: bytes, size: int) -> str:
    return base64.b32encode(digest[:size]).decode("ascii")
