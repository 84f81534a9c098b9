"""All sections together, read from `shared/definitions.toml` and checked against one another."""

from __future__ import annotations

import hashlib
import json
import tomllib
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import Any

from pydantic import PrivateAttr, ValidationError, model_validator

from pipeline.definitions.cohort import (
    DrainRules,
    LeakRules,
    ProlongedLeakRules,
    ReadinessRules,
    SensitivityRules,
)
from pipeline.definitions.course import (
    AlertRules,
    ClampRules,
    FlowStoppedRules,
    FluidRules,
    LineOpenRules,
    OcclusionRules,
    ShortfallRules,
    SurgeRules,
    TiltRules,
)
from pipeline.definitions.plausibility import OverlapRules, PlausibleRules, ResolutionRules, UseRules
from pipeline.definitions.publishing import (
    ChartRules,
    ExtractRules,
    HandlingRules,
    ReconciliationRules,
    StatisticsRules,
    StripRules,
    UpkeepRules,
)
from pipeline.definitions.section import FigureText, Section
from pipeline.definitions.trace import EnvelopeRules, TidalingRules, TraceRules
from schemas.errors import InputError
from shared import SHARED

_FIGURE_KEYS = {"value", "unit", "meaning", "source"}
_WORDS = {"name", "moves"}  # of entries that come several times


class Definitions(Section):
    """All sections of `definitions.toml`."""

    resolution: ResolutionRules
    plausible: PlausibleRules
    uses: UseRules
    overlap: OverlapRules
    trace: TraceRules
    envelope: EnvelopeRules
    tidaling: TidalingRules
    tilted: TiltRules
    suction_shortfall: ShortfallRules
    line_open: LineOpenRules
    clamp: ClampRules
    flow_stopped: FlowStoppedRules
    occlusion: OcclusionRules
    output_surge: SurgeRules
    fluid: FluidRules
    alerts: AlertRules
    leak: LeakRules
    drain: DrainRules
    prolonged_leak: tuple[ProlongedLeakRules, ...]
    sensitivity: tuple[SensitivityRules, ...]
    readiness: ReadinessRules
    handling: HandlingRules
    statistics: StatisticsRules
    chart: ChartRules
    extract: ExtractRules
    strips: StripRules
    reconciliation: ReconciliationRules
    upkeep: UpkeepRules
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
        known = {f"leak.{name}" for name in LeakRules.model_fields}
        known |= {f"prolonged_leak.{name}" for name in ProlongedLeakRules.model_fields if name != "name"}
        for entry in self.sensitivity:
            if entry.moves not in known:
                raise ValueError(
                    f"sensitivity {entry.name} moves {entry.moves}, which is no figure of a leak"
                )
        return self

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
    values = {section: _values(path, section, body) for section, body in raw.items()}
    try:
        definitions = Definitions.model_validate(values)
    except ValidationError as error:
        first = error.errors()[0]
        place = ".".join(str(part) for part in first["loc"]) or "the definitions"
        raise InputError(f"{path.name}: {place}: {first['msg'].lower()}; mend that figure.") from error
    definitions._texts = {name: text for section, body in raw.items() for name, text in _texts(section, body)}
    return definitions


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
