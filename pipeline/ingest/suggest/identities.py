"""Where an unknown export says its device, its date of export, its zone and how many rows it has."""

from __future__ import annotations

import re
from collections.abc import Sequence

from pipeline.ingest.pattern import literal
from pipeline.ingest.sources import DEVICE_PATTERN, SERIAL_IN_WORDS
from pipeline.ingest.suggest.columns import Column
from pipeline.ingest.suggest.draft import FILL_IN, Draft
from pipeline.ingest.suggest.preamble import said_above
from pipeline.ingest.suggest.sheet import MOST_SUMMED_UP, Sheet
from pipeline.ingest.suggest.times import moment_format, single_format
from pipeline.ingest.suggest.words import plain_words, speaks
from pipeline.zones import is_zone

_UNFIT = (
    f"what the line for it says is no serial ({SERIAL_IN_WORDS}): write a pattern whose group device is "
    "a part that is one and that no other drain has too"
)


def device_of(draft: Draft, sheet: Sheet, columns: Sequence[Column], file_name: str) -> str | None:
    """Add [device]; returns the name of the column it is in, if it is in one."""
    named = [c for c in columns if speaks(plain_words(c.name), "device") == 1.0 and not c.is_trace]
    for column in named:
        if column.filled and all(re.fullmatch(DEVICE_PATTERN, cell) for cell in column.distinct):
            draft.say("device", "column", column.name)
            return column.name
    if _line_of_device(draft, sheet):
        return None
    stem, dot, ending = file_name.partition(".")
    tokens = re.split(r"([_ ])", stem)
    serials = [at for at, part in enumerate(tokens) if _is_serial(part)]
    if len(serials) == 1:
        before = "^" + "".join(_shape(token) for token in tokens[: serials[0]])
        after = "".join(_shape(token) for token in tokens[serials[0] + 1 :]) + literal(dot + ending) + "$"
        doubt = "from the file's name; if somebody renames files, the serial is lost"
        draft.say("device", "file_name", f"{before}(?P<device>[A-Za-z0-9.-]+){after}", doubt)
        return None
    draft.say(
        "device",
        "constant",
        FILL_IN,
        "no serial of the drain was recognised: where does it stand?",
    )
    return None


def _line_of_device(draft: Draft, sheet: Sheet) -> bool:
    """Add the pattern of a line that names the device, or ask for it where what it says is no serial."""
    named = [said for said in said_above(sheet) if _names_a_device(said.label)]
    numbered = [said for said in named if re.search(r"\d", said.value)]
    fitting = [said for said in numbered if re.fullmatch(DEVICE_PATTERN, said.value)]
    unfit = [said for said in numbered if said.by_sign and said not in fitting]
    words = [said for said in named if said.by_sign and re.fullmatch(DEVICE_PATTERN, said.value)]
    if fitting or (words and not unfit):
        said = (fitting or words)[0]
        doubt = None if fitting else "it holds no digit in this file: is it the serial of one drain?"
        draft.say("device", "line", f"{said.lead}(?P<device>{DEVICE_PATTERN}){said.end}", doubt)
    elif unfit:
        draft.say("device", "line", FILL_IN, _UNFIT)
    return bool(fitting or words or unfit)


def export_of(
    draft: Draft, sheet: Sheet, columns: Sequence[Column], clocks: Sequence[str], file_name: str
) -> None:
    """Add [exported_at], or say what stands for it."""
    for column in columns:
        if (
            column.name in clocks
            or speaks(plain_words(column.name), "exported_at") == 0.0
            or not column.filled
        ):
            continue
        if (forms := single_format(column.filled[0])) and not column.is_number:
            draft.say("exported_at", "column", column.name)
            _format(draft, forms)
            return
    for said in said_above(sheet):
        forms = single_format(said.value)
        label = plain_words(said.label)
        if forms and (speaks(label, "exported_at") > 0 or "date" in label):
            draft.say("exported_at", "line", f"{said.lead}(?P<exported_at>{said.inside}*?){said.end}")
            _format(draft, forms)
            return
    for token in re.findall(r"\d{8}(?:T?\d{4,6})?", file_name):
        if forms := single_format(token):
            before, _, after = file_name.partition(token)
            tail = re.match(r"\W*[A-Za-z.]*$", after)
            if tail is not None:
                size = f"\\d{{{len(token)}}}" if token.isdigit() else r"\d{8}T\d{4,6}"
                lead = literal(before[-1:]) if before else "^"
                draft.say(
                    "exported_at",
                    "file_name",
                    f"{lead}(?P<exported_at>{size}){literal(after)}$",
                    "the date in the file's name is taken for that of the export",
                )
                _format(draft, forms)
                return
    draft.remark(
        "clock",
        "DOUBT: no date of the export was recognised, so the last minute stands for it; right only where no "
        "minute is exported twice. Else add [exported_at].",
    )


def zone_of(draft: Draft, sheet: Sheet, timezone: str | None) -> None:
    """Add the clock's time zone."""
    if timezone is not None:
        draft.say("clock", "timezone", timezone)
        return
    for said in said_above(sheet):
        if is_zone(said.value.split()[0]):
            draft.say("clock", "timezone", {"line": rf"{said.lead}(?P<timezone>[\w\/+-]+)"})
            return
    draft.say(
        "clock",
        "timezone",
        FILL_IN,
        "the IANA zone of the device's wall clock, like Europe/Zurich; no file says it",
    )


def end_of(draft: Draft, sheet: Sheet) -> None:
    """Add the pattern of a last line that says how many rows there are."""
    if sheet.last is None or len(sheet.last) > 200:
        return
    numbers = [n for n in re.findall(r"\d+", sheet.last) if int(n[:12]) == sheet.rows]
    summed_up = sheet.last.rstrip(sheet.delimiter + " ")
    if len(numbers) == 1 and summed_up.count(sheet.delimiter) < MOST_SUMMED_UP:
        before, _, after = summed_up.partition(numbers[0])
        padding = f"(?:{literal(sheet.delimiter)}| )*"
        draft.say("", "end_line", f"^{literal(before)}(?P<rows>\\d+){literal(after)}{padding}$")
    else:
        draft.remark("", "DOUBT: the last line is no row and names no number that fits: is the copy cut off?")


def _format(draft: Draft, forms: Sequence[str]) -> None:
    other = [form for form in forms[1:] if sorted(form[:8]) == sorted(forms[0][:8]) and form != forms[0]]
    doubt = f"{other[0]} reads it as well: which is day, which is month?" if other else None
    draft.say("exported_at", "format", forms[0], doubt)


def _shape(part: str) -> str:
    """Any part of this kind: names and numbers of one file are not those of the next."""
    if part in ("_", " ", ""):
        return part
    return r"\w*" if re.fullmatch(r"\w*", part) else "[^_ ]*"


def _is_serial(part: str) -> bool:
    letters_and_digits = re.search(r"\d", part) and re.search(r"[A-Za-z]", part)
    return bool(letters_and_digits) and re.fullmatch(DEVICE_PATTERN, part) is not None and not _is_time(part)


def _names_a_device(label: str) -> bool:
    """Whether a label's last word is one for a device, or one for its number after it."""
    words = plain_words(label)
    while len(words) > 1 and words[-1] in ("no", "nr", "number", "id"):
        words.pop()
    return speaks(words[-1:], "device") == 1.0


def _is_time(text: str) -> bool:
    return bool(single_format(text)) or moment_format([text]) is not None
