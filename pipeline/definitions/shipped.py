"""All sections together, read from `shared/definitions.toml` and checked against one another."""

from __future__ import annotations

import hashlib
import json
import tomllib
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import Any, get_args

from pydantic import BaseModel, ConfigDict, PrivateAttr, ValidationError, model_validator
from pydantic.fields import FieldInfo

from pipeline.definitions import breathing, cohort, course, plausibility, publishing
from pipeline.definitions.section import Decides, FigureText, Section
from schemas.errors import InputError
from shared import SHARED

_FIGURE_KEYS = {"value", "unit", "meaning", "source"}
_WORDS = {"name", "moves"}  # of entries that come several times
_OWN = {"name", "threshold", "through_day", "begins_within"}  # what makes one definition differ from another


class Definitions(BaseModel):
    """All sections of `definitions.toml`; each section's class says what its figures decide."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    resolution: plausibility.ResolutionRules
    plausible: plausibility.PlausibleRules
    uses: plausibility.UseRules
    overlap: plausibility.OverlapRules
    trace: breathing.TraceRules
    envelope: breathing.EnvelopeRules
    tidaling: breathing.TidalingRules
    tilted: course.TiltRules
    suction_shortfall: course.ShortfallRules
    line_open: course.LineOpenRules
    clamp: course.ClampRules
    flow_stopped: course.FlowStoppedRules
    occlusion: course.OcclusionRules
    output_surge: course.SurgeRules
    fluid: course.FluidRules
    alerts: course.AlertRules
    leak: cohort.LeakRules
    drain: cohort.DrainRules
    prolonged_leak: tuple[cohort.ProlongedLeakRules, ...]
    sensitivity: tuple[cohort.SensitivityRules, ...]
    readiness: cohort.ReadinessRules
    handling: publishing.HandlingRules
    statistics: publishing.StatisticsRules
    chart: publishing.ChartRules
    extract: publishing.ExtractRules
    strips: publishing.StripRules
    reconciliation: publishing.ReconciliationRules
    upkeep: publishing.UpkeepRules
    # Not part of the values: what is said of a figure can change without changing what rests on it.
    _texts: dict[str, FigureText] = PrivateAttr(default_factory=dict)

    @model_validator(mode="after")
    def _outcomes_hang_together(self) -> Definitions:
        if not self.prolonged_leak or self.prolonged_leak[0].threshold is None:
            raise ValueError("the first prolonged_leak is the published one and needs a threshold in hours")
        names = [*(one.name for one in self.prolonged_leak), *(one.name for one in self.sensitivity)]
        twice = sorted({name for name in names if names.count(name) > 1})
        if twice:
            raise ValueError(f"the name {twice[0]} stands for two definitions")
        known = {f"leak.{name}" for name in cohort.LeakRules.model_fields}
        known |= {
            f"prolonged_leak.{name}" for name in cohort.ProlongedLeakRules.model_fields if name != "name"
        }
        for entry in self.sensitivity:
            if entry.moves not in known:
                raise ValueError(
                    f"sensitivity {entry.name} moves {entry.moves}, which is no figure of a leak"
                )
        return self

    @classmethod
    def deciding(cls, what: Decides) -> frozenset[str]:
        """
        Names of the sections that decide something of what is asked for.

        Examples
        --------
        >>> sorted(Definitions.deciding(Decides.CELLS))
        ['plausible', 'resolution']
        """
        return frozenset(name for name, field in cls.model_fields.items() if _kind(field).decides & what)

    @property
    def digest(self) -> str:
        """SHA-256 of every value, for provenance: the same values give the same digest."""
        canonical = json.dumps(self.model_dump(mode="json"), sort_keys=True)
        return hashlib.sha256(canonical.encode()).hexdigest()

    def said(self, figure: str) -> FigureText | None:
        """
        Unit, meaning and source of a figure by its full name; null where the values came without words.

        Of sections that come several times the entry's own name stands in between.

        Examples
        --------
        >>> load_definitions().said("prolonged_leak.more_than_7_days.threshold").source
        'the older definition'
        """
        return self._texts.get(figure)

    @property
    def digest_of_words(self) -> str:
        """SHA-256 of what is said of the figures: the published `definition` carries it."""
        return hashlib.sha256(json.dumps(self._texts, sort_keys=True).encode()).hexdigest()


def _kind(field: FieldInfo) -> type[Section]:
    """The class of a section; of one that comes several times, of each."""
    kind: Any = field.annotation
    section: type[Section] = get_args(kind)[0] if get_args(kind) else kind
    return section


def load_definitions(path: Path | None = None) -> Definitions:
    """
    Read and check the definitions; without a path, the ones shipped in `shared/`.

    Raises
    ------
    InputError
        Naming the file and the figure that is missing, unknown or not a number.

    Examples
    --------
    >>> load_definitions().leak.on_above
    20.0
    """
    return _shipped() if path is None else _read(path)


@cache
def _shipped() -> Definitions:
    return _read(SHARED / "definitions.toml")


def _read(path: Path) -> Definitions:
    try:
        raw = tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise InputError(f"{path.name}: cannot be read ({error.strerror}); restore it.") from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError, RecursionError) as error:
        raise InputError(f"{path.name}: not valid TOML ({error}); mend that line.") from error
    raw["prolonged_leak"] = _filled(raw.get("prolonged_leak", []))
    values = {section: _values(path, section, body) for section, body in raw.items()}
    try:
        definitions = Definitions.model_validate(values)
    except ValidationError as error:
        first = error.errors()[0]
        place = ".".join(str(part) for part in first["loc"]) or "the definitions"
        raise InputError(f"{path.name}: {place}: {first['msg'].lower()}; mend that figure.") from error
    definitions._texts = {name: text for section, body in raw.items() for name, text in _texts(section, body)}
    return definitions


def _filled(entries: Any) -> Any:
    """Definitions of a prolonged leak: what one behind the first leaves unsaid stands as the first has it."""
    if not isinstance(entries, list) or not all(isinstance(entry, dict) for entry in entries):
        return entries
    common = {name: figure for entry in entries[:1] for name, figure in entry.items() if name not in _OWN}
    return [*entries[:1], *(common | entry for entry in entries[1:])]


def _texts(section: str, body: Any) -> Iterator[tuple[str, FigureText]]:
    for entry in body if isinstance(body, list) else [body]:
        prefix = f"{section}.{entry['name']}" if isinstance(body, list) else section
        for name, figure in entry.items():
            if isinstance(figure, dict):
                yield f"{prefix}.{name}", FigureText(figure["unit"], figure["meaning"], figure["source"])


def _values(path: Path, section: str, body: Any) -> Any:
    if isinstance(body, list):
        return [_values(path, section, item) for item in body]
    if not isinstance(body, dict):
        raise InputError(f"{path.name}: [{section}] is not a table of figures; mend it.")
    values: dict[str, Any] = {}
    for name, figure in body.items():
        if name in _WORDS and isinstance(figure, str):
            values[name] = figure
        elif isinstance(figure, dict) and set(figure) == _FIGURE_KEYS:
            values[name] = figure["value"]
        else:
            raise InputError(
                f"{path.name}: {section}.{name} must have value, unit, meaning and source; mend it."
            )
    return values
