"""A profile being drafted: its entries, what is doubtful in each, and how they are written down as TOML."""

from __future__ import annotations

import json
import re
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from pipeline.ingest.shelf import TO_FILL

FILL_IN = TO_FILL


_DOUBT = "DOUBT: "  # a remark that begins so is told among the doubts too


@dataclass(frozen=True)
class Entry:
    """One key: its table (empty: none), its value (`FILL_IN`: nobody can tell), and why it is doubtful."""

    table: str
    key: str
    value: Any
    doubt: str | None = None


@dataclass
class Draft:
    """Entries and remarks in the order in which they are to be written."""

    about: list[str] = field(default_factory=list)
    entries: list[Entry] = field(default_factory=list)
    remarks: dict[str, list[str]] = field(default_factory=dict)

    def say(self, table: str, key: str, value: Any, doubt: str | None = None) -> None:
        """Add a key."""
        self.entries.append(Entry(table, key, value, doubt))

    def remark(self, table: str, text: str) -> None:
        """Add a line of comment at the end of a table."""
        self.remarks.setdefault(table, []).append(text)

    def asked(self, *, filled: bool) -> list[str]:
        """The doubtful keys (`filled`), or those somebody must fill in: each as `[table] key: why`."""
        said = [
            f"{f'[{e.table}] ' if e.table else ''}{e.key}: {e.doubt}"
            for e in self.entries
            if e.doubt is not None and (e.value != FILL_IN) == filled
        ]
        doubts = [
            f"{f'[{table}] ' if table else ''}{text.removeprefix(_DOUBT)}"
            for table, texts in self.remarks.items()
            for text in texts
            if text.startswith(_DOUBT)
        ]
        return said + doubts if filled else said

    def text(self) -> str:
        """The profile as TOML; doubts and what is to be filled in stand behind their keys."""
        lines = [f"# {line}".rstrip() for line in self.about]
        tables = list(dict.fromkeys([*(e.table for e in self.entries), *self.remarks]))
        for table in sorted(tables, key=lambda name: name != ""):  # keys without a table come first
            if table:
                lines += ["", f"[{table}]"]
            lines += [_line(e) for e in self.entries if e.table == table]
            lines += [f"# {_one_line(text)}" for text in self.remarks.get(table, [])]
        text = "\n".join(lines) + "\n"
        tomllib.loads(text)  # what was written can be read
        return text


def toml_value(value: Any) -> str:
    r"""
    A value as TOML writes it.

    Examples
    --------
    >>> print(toml_value("a;b"), toml_value(r"^\d$"), toml_value(["x", "y"]), toml_value(True))
    "a;b" '^\d$' ["x", "y"] true
    """
    if isinstance(value, str):
        if "\\" in value and "'" not in value and value.isprintable():
            return f"'{value}'"
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{toml_key(k)} = {toml_value(v)}" for k, v in value.items()) + " }"
    if isinstance(value, Sequence):
        return f"[{', '.join(toml_value(one) for one in value)}]"
    return json.dumps(value)


def toml_key(key: str) -> str:
    """A key as TOML writes it."""
    return (
        key
        if re.fullmatch(r"[A-Za-z0-9_-]+", key)
        else json.dumps(key, ensure_ascii=False).replace("\x7f", "\\u007f")
    )


def _line(entry: Entry) -> str:
    said = f"{toml_key(entry.key)} = {toml_value(entry.value)}"
    if entry.doubt is None:
        return said
    return f"{said}  # {'FILL IN' if entry.value == FILL_IN else 'DOUBT'}: {_one_line(entry.doubt)}"


def _one_line(text: str) -> str:
    return "".join(sign if sign.isprintable() else " " for sign in text)
