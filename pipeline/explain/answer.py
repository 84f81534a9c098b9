"""What an explanation is made of: clauses, the ways in which a flag may hold, and their answers."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum

Value = float | int | str | bool | None


class Answer(StrEnum):
    """Whether something holds; unknown where the log does not say."""

    HOLDS = "holds"
    NOT_MET = "not met"
    UNKNOWN = "unknown"


@dataclass(frozen=True)
class Clause:
    """
    One condition at one minute.

    Parameters
    ----------
    name
        As in the code of the flag.
    says
        What it is about, in words.
    value, unit
        What was found; null: the log does not say.
    compare, limit
        What is asked of it, as in `value compare limit`.
    figure
        The entry of the definitions that the limit comes from, empty where there is none.
    """

    name: str
    says: str
    answer: Answer
    value: Value = None
    unit: str = ""
    compare: str = ""
    limit: Value = None
    figure: str = ""


@dataclass(frozen=True)
class Way:
    """
    One way in which a flag can come to hold: all of its clauses together.

    Examples
    --------
    >>> met, blank = Clause("a", "", Answer.HOLDS), Clause("b", "", Answer.UNKNOWN)
    >>> Way("w", "", (met,)).answer.value, Way("w", "", (met, blank)).answer.value
    ('holds', 'unknown')
    """

    name: str
    says: str
    clauses: tuple[Clause, ...]

    @property
    def answer(self) -> Answer:
        """Not met where any clause is not; else unknown where any is."""
        return all_of(clause.answer for clause in self.clauses)


@dataclass(frozen=True)
class FlagAnswer:
    """
    One flag at one minute.

    Parameters
    ----------
    kind
        Kind of period.
    ways
        It holds where any of these does.
    beside
        What does not decide but bears on it: the grade, what a verdict rests on.
    grade
        Of the flag in force at the minute, where it has one.
    """

    kind: str
    ways: tuple[Way, ...]
    beside: tuple[Way, ...] = ()
    grade: str | None = None

    @property
    def answer(self) -> Answer:
        """Holds where any way does; else unknown where any is."""
        return any_of(way.answer for way in self.ways)

    @property
    def in_force(self) -> bool:
        """What the published flag says: an unknown is not in force."""
        return self.answer is Answer.HOLDS


def answer_of(holds: bool | None) -> Answer:
    """
    The answer of a boolean that may be unknown.

    Examples
    --------
    >>> [answer_of(x).value for x in (True, False, None)]
    ['holds', 'not met', 'unknown']
    """
    if holds is None:
        return Answer.UNKNOWN
    return Answer.HOLDS if holds else Answer.NOT_MET


def all_of(answers: Iterable[Answer]) -> Answer:
    """Three-valued and: one that is not met decides, whatever is unknown."""
    found = set(answers)
    if Answer.NOT_MET in found:
        return Answer.NOT_MET
    return Answer.UNKNOWN if Answer.UNKNOWN in found else Answer.HOLDS


def any_of(answers: Iterable[Answer]) -> Answer:
    """Three-valued or: one that holds decides, whatever is unknown."""
    found = set(answers)
    if Answer.HOLDS in found:
        return Answer.HOLDS
    return Answer.UNKNOWN if Answer.UNKNOWN in found else Answer.NOT_MET
