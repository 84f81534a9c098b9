"""Grids of removal rules: one rule with some of its keys given several values."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import product
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from pipeline.cohort.rules import FIGURES, KEYS, RemovalRule, read_rule, telling
from pipeline.meant import meant
from schemas.errors import CallError, InputError, of_named_path
from shared import SHARED

NOT_ASKED = "none"
_OPTIONAL = ("output_at_most", "output_hours", "tidaling_within_hours")
_SHORT = {
    "leak_at_most": ("leak at most", " mL/min"),
    "leak_hours": ("for", " h"),
    "excursion_minutes": ("excursion of", " min"),
    "excursion_up_to": ("excursion up to", " mL/min"),
    "output_at_most": ("output at most", " mL"),
    "output_hours": ("output over", " h"),
    "tidaling_within_hours": ("tidaling within", " h"),
    "completeness_at_least": ("complete to", ""),
    "earliest_hours": ("not before", " h"),
}
_WORDS = ("name", "title", "source", "caution")
MOST = 2000


@dataclass(frozen=True)
class RuleGrid:
    """
    Rules in the order of their axes, the last axis fastest; `axes`: key → its values (null: not asked).

    `left_out`: combinations that no rule can be, such as an excursion up to less than the leak's limit, each
    with the reason.
    """

    rules: tuple[RemovalRule, ...]
    axes: Mapping[str, tuple[float | None, ...]]
    left_out: tuple[str, ...] = ()

    @property
    def skipped(self) -> int:
        """How many combinations no rule can be."""
        return len(self.left_out)


def read_grid(path: Path) -> RuleGrid:
    """
    Read a grid: a rule file in which any number may be a list, and `"none"` stands for a clause not asked.

    Raises
    ------
    InputError
        Naming the file and the key that is wrong.
    """
    try:
        body = tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        said = f"{path.name}: cannot be read ({error.strerror}); check the path."
        raise of_named_path(error, said) from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError, RecursionError) as error:
        raise InputError(f"{path.name}: not valid TOML ({error}); mend that line.") from error
    axes = {key: value for key, value in body.items() if isinstance(value, list)}
    if not axes:
        raise InputError(f"{path.name}: no key has a list of values; give one, or name the file as a rule.")
    base = {key: value for key, value in body.items() if key not in axes}
    return spread(base, axes, path.name)


def spread(base: Mapping[str, Any], axes: Mapping[str, Sequence[Any]], where: str) -> RuleGrid:
    """
    All combinations of the axes' values, each a rule, and each rule once.

    A combination whose figures do not go together is left out and named; a value that fits no rule at all
    is an error.

    Parameters
    ----------
    base
        The rule's other keys.
    where
        For messages: the file, or the option.

    Raises
    ------
    InputError
        Where a key or a value is wrong, or no combination is a rule.

    Examples
    --------
    >>> from pipeline.cohort.rules import load_rules
    >>> base = load_rules()[0].model_dump()
    >>> grid = spread(base, {"leak_at_most": [5, 10], "tidaling_within_hours": [12, "none"]}, "example")
    >>> [(rule.leak_at_most, rule.tidaling_within_hours) for rule in grid.rules]
    [(5.0, 12.0), (5.0, None), (10.0, 12.0), (10.0, None)]
    """
    wrong = [key for key in axes if key in _WORDS or key not in RemovalRule.model_fields]
    if wrong:
        raise InputError(f"{where}: {wrong[0]} is no figure of a rule; {meant(wrong[0], FIGURES)}")
    values = {
        key: tuple(dict.fromkeys(_value(key, value, where) for value in axis)) for key, axis in axes.items()
    }
    empty = [key for key, axis in values.items() if not axis]
    if empty:
        raise InputError(f"{where}: {empty[0]} has no values; give at least one.")
    total = 1
    for axis in values.values():
        total *= len(axis)
    if total > MOST:
        raise InputError(f"{where}: {total} rules; a grid has at most {MOST}, leave some values out.")
    rules: dict[tuple[Any, ...], RemovalRule] = {}
    left_out: list[str] = []
    for number, chosen in enumerate(product(*values.values()), start=1):
        named = dict(zip(values, chosen, strict=True))
        if named.get("output_at_most", 0) is None:
            named["output_hours"] = None  # fluid that is not asked is not asked over any number of hours
        asked = ((key, value) for key, value in named.items() if key != "output_hours" or value is not None)
        title = ", ".join(_in_words(key, value) for key, value in asked)
        body = {**base, **named, "name": f"{base.get('name', 'grid')}_{number}"[:60], "title": title}
        try:
            rule = RemovalRule.model_validate(body)
        except ValidationError as error:
            first = telling(error)
            place = ".".join(str(part) for part in first["loc"])
            what = first["msg"].removeprefix("Value error, ").lower()
            if first["type"] == "extra_forbidden":
                raise InputError(f"{where}: {place} is no key of a rule; {meant(place, KEYS)}") from error
            if place:
                raise InputError(f"{where}: with {title}: {place}: {what}; mend that key.") from error
            # Only the figures together are wrong: another combination may be right.
            left_out.append(f"{title}: {what}")
            continue
        rules.setdefault(tuple(getattr(rule, key) for key in FIGURES), rule)
    if not rules:
        raise InputError(f"{where}: no combination is a rule; with {left_out[0]}; mend those keys.")
    return RuleGrid(tuple(rules.values()), values, tuple(dict.fromkeys(left_out)))


def rule_named(name: str) -> RemovalRule:
    """
    A rule by the path of its file, or by the name of one that is shipped.

    Raises
    ------
    CallError
        Where there is neither.
    """
    path = Path(name)
    if path.exists() or path.suffix == ".toml":
        return read_rule(path)
    shipped = SHARED / "rules" / f"{name}.toml"
    if not shipped.exists():
        known = ", ".join(sorted(p.stem for p in shipped.parent.glob("*.toml")))
        raise CallError(f"rule {name}: no such file, and no shipped rule; shipped are {known}.")
    return read_rule(shipped)


def read_axis(text: str) -> tuple[str, list[str]]:
    """
    One axis as typed: `leak_at_most=10,20,40`.

    Raises
    ------
    CallError
        Where it is not of that form.

    Examples
    --------
    >>> read_axis("output_at_most=300,450,none")
    ('output_at_most', ['300', '450', 'none'])
    """
    key, equals, values = text.partition("=")
    if not equals or not key.strip() or not values.strip():
        raise CallError(
            f'whatif: --axis "{text}" is not KEY=VALUE,VALUE,…; write e.g. leak_at_most=10,20,40.'
        )
    return key.strip(), [value.strip() for value in values.split(",")]


def _in_words(key: str, value: float | None) -> str:
    what, unit = _SHORT[key]
    return f"{what} not asked" if value is None else f"{what} {value:g}{unit}"


def _value(key: str, value: Any, where: str) -> float | None:
    if value == NOT_ASKED and key in _OPTIONAL:
        return None
    try:
        return float(value)
    except (TypeError, ValueError):
        raise InputError(f"{where}: {key}: {value!r} is not a number; mend that value.") from None
