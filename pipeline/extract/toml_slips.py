"""TOML that people write by hand: what its grammar does not take, told with what was meant, all at once."""

from __future__ import annotations

import re
import tomllib
from datetime import date
from typing import Any

_AT_LINE = re.compile(r"\(at (?:line (\d+)|end of document)")
_LINE = re.compile(r"(\s*[A-Za-z0-9_-]+\s*)=\s*([^\"'\[{#]*?)\s*(?:#.*)?")
_PARTED = re.compile(r"(\d{1,4})([./-])(\d{1,2})\2(\d{1,4})\.?")
_YES = {"yes", "y", "true", "on", "1", "ja", "oui", "si"}
_NO = {"no", "n", "false", "off", "0", "nein", "non"}
_MOST = 20  # lines told of one file


def read_toml(text: str) -> tuple[dict[str, Any], list[str]]:
    """
    The content of a TOML text as it was probably meant, and a sentence for each line that is no TOML.

    A day in another order, `yes` for `true` and a word without quotes are told and read as what was meant, so
    that what is wrong further down is told in the same run. Behind any other slip nothing can be told.

    Examples
    --------
    >>> content, slips = read_toml("day = 31.01.2031\\nhourly = yes")
    >>> content
    {'day': datetime.date(2031, 1, 31), 'hourly': True}
    >>> slips[1]
    'line 2: yes is no word of TOML; write hourly = true.'
    """
    lines = text.splitlines()
    slips: list[str] = []
    while True:
        try:
            return tomllib.loads("\n".join(lines) + "\n"), slips
        except (tomllib.TOMLDecodeError, RecursionError) as error:
            number = _line_of(str(error), lines)
            mended = _mended(lines[number - 1]) if number else None
            if mended is None or len(slips) == _MOST:
                slips.append(f"not valid TOML ({error}); mend that line.")
                return {}, slips
            told, lines[number - 1] = mended
            slips.append(f"line {number}: {told}")


def day_meant(text: str) -> date | None:
    """
    The day that a text in another order names; null where it names none, or may name two.

    Examples
    --------
    >>> day_meant("31.1.2031"), day_meant("01/31/2031"), day_meant("03/04/2031"), day_meant("2031/2/1")
    (datetime.date(2031, 1, 31), datetime.date(2031, 1, 31), None, datetime.date(2031, 2, 1))
    """
    found = _PARTED.fullmatch(text.strip())
    if found is None:
        return None
    first, sign, second, third = found.groups()
    a, b, c = int(first), int(second), int(third)
    if len(first) == 4:
        orders = [(a, b, c)]
    elif len(third) == 4 and sign == ".":  # points stand only where the day comes first
        orders = [(c, b, a)]
    else:
        orders = [(c, b, a), (c, a, b)] if len(third) == 4 else []
    days = {day for order in orders if (day := _day(*order)) is not None}
    return days.pop() if len(days) == 1 else None


def looks_like_a_day(text: str) -> bool:
    """Whether a text is three numbers parted as in a day."""
    return _PARTED.fullmatch(text.strip()) is not None


def yes_or_no_meant(text: str) -> bool | None:
    """Whether a word was meant as true or as false; null where it was neither."""
    word = text.strip().casefold()
    return True if word in _YES else False if word in _NO else None


def _day(year: int, month: int, day: int) -> date | None:
    try:
        return date(year, month, day)
    except ValueError:
        return None


def _line_of(said: str, lines: list[str]) -> int:
    """The line an error of the parser is at, from 1; 0 where it says none that is there."""
    found = _AT_LINE.search(said)
    number = 0 if found is None else int(found[1]) if found[1] else len(lines)
    return number if number <= len(lines) else 0


def _mended(line: str) -> tuple[str, str] | None:
    """What to say of a line, and the line as it was meant; null where nobody can tell."""
    found = _LINE.fullmatch(line)
    if found is None or not found[2]:
        return None
    key, value = found[1].strip(), found[2]
    if looks_like_a_day(value):
        day = day_meant(value)
        if day is None:
            return (
                f"{value} is no day of TOML; write year-month-day, as in {key} = 2031-01-31.",
                "",  # nobody can tell which day it is: the key is left out
            )
        return f"{value} is no day of TOML; write {key} = {day}.", f"{key} = {day}"
    truth = yes_or_no_meant(value)
    if truth is not None:
        meant = f"{key} = {str(truth).lower()}"
        return f"{value} is no word of TOML; write {meant}.", meant
    if re.match(r"[A-Za-z]", value) and "=" not in value:
        meant = f'{key} = "{value}"'
        return f"{value} stands without quotes; write {meant}.", meant
    return None
