"""`sample`: a blinded set of strips for human readers; the answer key stays in the house."""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import polars as pl

from flows.loading.stale import IN_FORCE
from flows.research.extract import require_new, write_folder
from flows.research.extract_source import courses, current_source, require_published
from pipeline.course.resolve import resolve
from pipeline.definitions import Definitions, load_definitions
from pipeline.extract import Source
from pipeline.extract.keys import extract_id
from pipeline.extract.score_sheet import COLUMNS, blank_sheet
from pipeline.extract.strip_frame import QUESTIONS, as_shown, strip_frame
from pipeline.extract.strip_picture import shown_traces, strip_picture
from pipeline.extract.strip_sample import draw_strips
from pipeline.provenance import code_version
from pipeline.store import Home
from schemas.errors import CallError, InputError
from schemas.lake import LOAD_FILE, MINUTE, TRACE, USE_TABLE
from schemas.published import DRAIN_USE

READERS = 2
_DEVICES = 25  # read again at once for their traces


@dataclass(frozen=True)
class Sample:
    """A sample drawn: its name, and how many strips of each stratum."""

    sample: str
    strata: Mapping[str, int]
    strips: int


def run_sample(
    home: Home,
    strips: int,
    seed: int,
    out: Path,
    progress: Callable[[str, int, int], None] = lambda what, done, total: None,
) -> Sample:
    """
    Draw strips, picture them, and write a blank score sheet for each of two readers.

    The folder holds what readers may see: pictures of raw readings under names that tell nothing. What the
    pipeline says of each strip, and which drain it is of, goes to the private store, for `score`.

    Raises
    ------
    CallError
        When the folder is there and not empty, or fewer than one strip is asked for, or more than the
        ledger has stretches.
    InputError
        When there is no published ledger, or no drain in it has a log.
    """
    if strips < 1:
        raise CallError(f"sample: {strips} strips cannot be drawn; ask for 1 or more.")
    require_published(home)
    require_new(out, home, "sample")
    definitions = load_definitions()
    with home.reading():
        source = current_source(home, definitions)
        frame = _frame(home, source, definitions)
        drawn = draw_strips(frame, strips, seed, home.secret(), definitions.strips)
        length = definitions.strips.minutes
        pictures: dict[str, bytes] = {}
        shown: dict[str, list[int]] = {}
        for name, minutes in _readings(home, source, drawn, definitions):
            progress("drawing strips", len(pictures), strips)
            shown[name] = shown_traces(minutes)
            pictures[f"strips/{name}.svg"] = strip_picture(minutes, length, name)
        progress("drawing strips", strips, strips)
    sample = _name(source, home.secret(), strips, seed)
    names = drawn["strip"].to_list()
    files = {
        "README.md": _instructions(sample, strips, length).encode(),
        **{f"sheet_reader_{n}.csv": blank_sheet(sample, names) for n in range(1, READERS + 1)},
        "strips.html": _page(sample, names).encode(),
        **{path: pictures[path] for path in sorted(pictures)},
    }
    write_folder(files, out, "sample")
    _keep_key(home, sample, seed, as_shown(drawn, shown))
    strata = drawn.group_by("stratum").len().sort("stratum").rows()
    return Sample(sample, dict(strata), strips)


def answer_key(home: Home, sample: str) -> pl.DataFrame:
    """
    The key of a sample: `strip`, `stratum`, `weight` and the pipeline's answer to each question.

    Raises
    ------
    InputError
        When this house drew no such sample.
    """
    path = _key_path(home, sample)
    if not sample.isalnum() or not path.is_file():
        raise InputError(
            f"score: sample {sample!r} was not drawn from {home.root}; name the home it came from "
            "with --home."
        )
    content = json.loads(path.read_text(encoding="utf-8"))
    return pl.DataFrame(content["strips"]).select("strip", "stratum", "weight", *QUESTIONS)


def _frame(home: Home, source: Source, definitions: Definitions) -> pl.DataFrame:
    drains = source.frames["drain"].select("drain_id", "site")
    parts = [
        strip_frame(drains, stretches, course, definitions.strips)
        for stretches, course in courses(home, drains, source.frames[DRAIN_USE.name])
    ]
    if not parts:
        raise InputError(f"home {home.root}: the ledger holds no drains with a log; load files first.")
    return pl.concat(parts).sort("drain_id", "window")


def _readings(
    home: Home, source: Source, drawn: pl.DataFrame, definitions: Definitions
) -> list[tuple[str, pl.DataFrame]]:
    """Each strip's minutes with their traces, resolved anew from the rows as loaded, by the strips' names."""
    length = pl.duration(minutes=definitions.strips.minutes)
    uses = home.lake.scan(USE_TABLE).select("use_id", "site", "device").collect()
    spans = source.frames[DRAIN_USE.name].rename({"from_at": "span_from"}).join(uses, on="use_id")
    wanted = (
        drawn.select("strip", "drain_id", "from_at")
        .join(spans.select("drain_id", "use_id", "span_from", "until_at", "site", "device"), on="drain_id")
        .filter((pl.col("span_from") < pl.col("from_at") + length) & (pl.col("until_at") > pl.col("from_at")))
    )
    devices = wanted.select("site", "device").unique().sort("site", "device")
    files = home.lake.scan(LOAD_FILE).filter(pl.col("status").is_in(IN_FORCE)).collect()
    found: list[pl.DataFrame] = []
    for start in range(0, devices.height, _DEVICES):
        some = devices[start : start + _DEVICES]
        in_force = pl.col("file_sha256").is_in(files["file_sha256"].implode())
        minutes, traces = (
            home.lake.scan(table)
            .filter(in_force)
            .join(some.lazy(), on=["site", "device"], how="semi")
            .collect()
            for table in (MINUTE, TRACE)
        )
        resolved = resolve(minutes, traces, files, definitions).minutes
        found.append(
            resolved.join(wanted.drop("site", "device"), on="use_id")
            .filter(
                (pl.col("minute") >= pl.max_horizontal("from_at", "span_from"))
                & (pl.col("minute") < pl.min_horizontal(pl.col("from_at") + length, "until_at"))
            )
            .with_columns(at=(pl.col("minute") - pl.col("from_at")).dt.total_minutes())
        )
    every = pl.concat(found).sort("strip", "at")
    return [(str(name), rows) for (name,), rows in every.group_by("strip", maintain_order=True)]


def _name(source: Source, secret: bytes, strips: int, seed: int) -> str:
    files = [file.sha256 for file in source.files]
    return "V" + extract_id(secret, "sample", str(strips), str(seed), source.definitions.digest, *files)[1:]


def _keep_key(home: Home, sample: str, seed: int, drawn: pl.DataFrame) -> None:
    content = {
        "sample": sample,
        "seed": seed,
        "code": code_version(),
        "strips": drawn.with_columns(pl.col("from_at").dt.to_string("iso")).to_dicts(),
    }
    path = _key_path(home, sample)
    path.parent.mkdir(mode=0o700, exist_ok=True)
    part = path.with_name(f"{path.name}.{os.getpid()}.part")
    part.write_text(json.dumps(content, indent=1), encoding="utf-8")
    part.rename(path)


def _key_path(home: Home, sample: str) -> Path:
    return home.private / "samples" / f"{sample}.json"


_ASKED = {
    "tidaling": "Over most of the strip, does the pressure swing with the patient's breathing?",
    "leak": "Over most of the strip, does the lung leak air?",
    "blocked": "Is the tube or the line blocked in any part of the strip?",
    "clamped": "Is the line clamped by staff in any part of the strip?",
    "line_open": "Is the line open to the room in any part of the strip?",
    "disturbed": "Is any of the traces shown disturbed by coughing or moving?",
}


def _instructions(sample: str, strips: int, length: int) -> str:
    lines = [
        f"# Sample {sample}",
        "",
        f"{strips} strips of {length} minutes each, in `strips/` (all on one page: `strips.html`), drawn by "
        "chance. Each reader fills in a sheet of their own, alone, without talking about the strips: one row "
        "a strip. Do not change the first two columns.",
        "",
        "A strip shows what the device logged: the range of the pressure minute by minute with its mean and, "
        "dashed, the ordered one (a cough runs beyond the axis); air leak; the canister's reading; tilt; "
        "and, where the log has them, up to six pressure traces. Gaps are minutes without a reading.",
        "",
        "| column | question | answers |",
        "|---|---|---|",
        *(
            f"| `{name}` | {_ASKED[name]} | {', '.join(f'`{a}`' for a in QUESTIONS[name])} |"
            for name in QUESTIONS
        ),
        f"| `{COLUMNS[-1]}` | anything you want to say; not read by the scoring, so no names | |",
        "",
        "`cannot_tell` is an answer. An empty cell is none: the strip then does not count for that question.",
        "",
        "This is finished therapy, looked back at to test a program. Nobody is treated by it, and the "
        "answers decide nothing at a bedside.",
        "",
    ]
    return "\n".join(lines)


def _page(sample: str, names: Sequence[str]) -> str:
    """All strips below one another, in the order of the sheet, for a browser."""
    strips = "\n".join(f'<p><img src="strips/{name}.svg" alt="strip {name}"></p>' for name in names)
    return (
        f'<!doctype html>\n<html lang="en"><meta charset="utf-8"><title>{sample}</title>\n{strips}\n</html>\n'
    )


def _listed(words: tuple[str, ...]) -> str:
    return ", ".join(f"`{word}`" for word in words)
