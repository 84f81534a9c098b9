"""Reading a manifest back: what an extract was made from, and what it was."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from pipeline.cohort.rules import RemovalRule
from pipeline.definitions import Definitions
from pipeline.extract.cohort_file import Cohort
from pipeline.extract.cohort_reading import written_cohort
from pipeline.extract.making import FORMAT, MANIFEST, FileInForce
from schemas.errors import CallError, InputError


@dataclass(frozen=True)
class Manifest:
    """
    A manifest, read.

    `cohort` has the sites' own words sealed; `definitions` and `rules` are null where this version of the
    code no longer understands them; `outputs` is path → SHA-256.
    """

    extract_id: str
    key_check: str
    cohort: Cohort
    code_digest: str
    code_version: str
    libraries: Mapping[str, str]
    definitions_digest: str
    definitions: Definitions | None
    rules: tuple[RemovalRule, ...] | None
    files: tuple[FileInForce, ...]
    outputs: Mapping[str, str]


def read_manifest(folder: Path) -> Manifest:
    """
    Read the manifest in an extract's folder.

    Raises
    ------
    CallError
        When there is no such folder.
    InputError
        When there is none in it, or it is not one that an extract of this format has.
    """
    if not folder.is_dir():
        raise CallError(f"{folder}: there is no such folder; name the folder of an extract.")
    path = folder / MANIFEST
    try:
        content: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
        made_by = content["drainledger_extract"]
        if made_by != FORMAT:
            raise InputError(
                f"{path}: is of format {made_by}, this version reads {FORMAT}; verify with the version "
                f"that made it ({content['code']['version']})."
            )
        return Manifest(
            extract_id=str(content["extract_id"]),
            key_check=str(content["key_check"]),
            cohort=written_cohort(content["cohort"], MANIFEST),
            code_digest=content["code"]["digest"],
            code_version=content["code"]["version"],
            libraries=dict(content["code"]["libraries"]),
            definitions_digest=content["definitions"]["digest"],
            definitions=_definitions(content["definitions"]["values"]),
            rules=_rules(content["rules"]),
            files=tuple(FileInForce(f["sha256"], f["kind"], f["read_as"]) for f in content["inputs"]),
            outputs={entry["path"]: entry["sha256"] for entry in content["outputs"]},
        )
    except OSError as error:
        raise InputError(
            f"{path}: cannot be read ({error.strerror}); name the folder of an extract."
        ) from error
    except (ValueError, KeyError, TypeError) as error:
        raise InputError(f"{path}: is not the manifest of an extract ({error}); restore it.") from error


def _definitions(values: Mapping[str, Any]) -> Definitions | None:
    try:
        return Definitions.model_validate(values)
    except ValidationError:
        return None


def _rules(values: list[Mapping[str, Any]]) -> tuple[RemovalRule, ...] | None:
    try:
        return tuple(RemovalRule.model_validate(value) for value in values)
    except ValidationError:
        return None
