"""
The figures that decide something, read from `shared/definitions.toml` and checked.

Each figure there is a table of value, unit, meaning and source. Code takes the section it needs
(`definitions.fluid`) as an argument and finds each value under the figure's name; nothing has a
default in code.
"""

from __future__ import annotations

import hashlib
import json
import tomllib
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import Any, NamedTuple, TypeVar

from pydantic import BaseModel, ConfigDict, PrivateAttr, ValidationError, model_validator

from schemas.errors import InputError
from shared import SHARED

_FIGURE_KEYS = {"value", "unit", "meaning", "source"}
_WORDS = {"name", "moves"}  # of entries that come several times


class FigureText(NamedTuple):
    """What a figure's entry says beside its value."""

    unit: str
    meaning: str
    source: str


class Section(BaseModel):
    """A frozen group of figures; an unknown or missing figure is an error that names it."""

    model_config = ConfigDict(frozen=True, extra="forbid")


class ResolutionRules(Section):
    """To what readings are rounded when read."""

    pressure: float
    flow: float
    volume: float
    angle: float
    share: float


class PlausibleRules(Section):
    """What can be a measurement at all."""

    pressure_least: float
    pressure_most: float
    flow_most: float
    volume_most: float
    clock_slack: int
    earliest_year: int
    order_slack: float
    trace_longest: float
    line_most: int
    file_most: int
    rows_most: int
    paper_most: int


class UseRules(Section):
    """What ends a device use."""

    hole: int


class TraceRules(Section):
    """Breathing in a pressure trace."""

    lowest_rate: float
    alias_rate: float
    alias_swing: float
    least_breaths: int
    slowest: float
    fastest: float
    least_swing: float
    false_alarm: float
    artefact_share: float
    believable: float
    stuck_seconds: float
    stuck_moves: float
    step_least: float
    burst_least: float
    burst_ratio: float
    burst_most: float
    score_constant: float
    score_breaths: float
    score_alike: float
    score_interval_cv: float
    score_covered: float
    score_share: float
    score_at_one: float
    score_per_decade: float
    score_short: float
    noise_varies: float
    swing_error: float
    pump_shape: float
    pump_most: float
    chest_constant: float
    chest_intervals: float
    chest_swings: float
    chest_one_sided: float
    chest_size: float
    chest_few: float
    chest_sharp: float
    chest_coughs: float
    chest_size_most: float
    even_intervals: float
    even_swings: float
    even_ends: float
    heart_least: float
    heart_slowest: float
    heart_fastest: float
    heart_line: float
    heart_overtones: float
    heart_near: float
    absent_quantile: float
    absent_covers: float
    rail_seconds: float
    rail_jump: float
    rail_least: float
    rail_share: float
    burst_window: float
    burst_quiet: float
    burst_share: float
    burst_margin: float
    burst_join: float
    restless_window: float
    restless_ratio: float
    restless_least: float
    restless_filled: float
    cough_skew: float
    step_window: float
    step_within: float
    step_sudden: float
    step_share: float
    step_margin: float
    outlier_reach: float
    cycle_least: float
    cycle_margin: float
    cycle_seen: float
    interval_least: float
    interval_most: float
    band_margin: float
    same_rate: float
    overtone: float
    small_share: float


class EnvelopeRules(Section):
    """Breathing from the minutes' minimum and maximum alone."""

    window: int
    least_minutes: int
    low_quantile: float
    high_quantile: float
    carried: int
    carried_most: int
    carried_tilt: float
    floor: float
    floor_minutes: int
    floor_stable: float
    still_run: int
    own_margin: float

    @model_validator(mode="after")
    def _window_holds_the_least(self) -> EnvelopeRules:
        if self.least_minutes > self.window:
            raise ValueError("least_minutes does not fit into the window")
        return self


class TidalingRules(Section):
    """From verdicts to periods."""

    hold: int
    settle: int
    bridge: int


class TiltRules(Section):
    """When a volume reading is not trusted."""

    limit: float
    after: int
    begins_by: float
    run_up: int
    again_within: int


class ShortfallRules(Section):
    """When suction falls short of what was ordered."""

    absolute: float
    relative: float
    least: int


class LineOpenRules(Section):
    """When the line is open to the room."""

    flow: float
    suction_share: float
    least: int
    unresolved_after: int


class ClampRules(Section):
    """When the line was clamped."""

    stop_within: int
    return_within: int
    readings: int


class FlowStoppedRules(Section):
    """When flow stopped and nobody knows why."""

    sudden_within: int
    leak_kept: float


class OcclusionRules(Section):
    """When the tube is suspected to be blocked."""

    least: int
    leak_most: float
    output_share: float
    output_expected: float
    output_goes_on: float
    look_back: int
    breathed_least: int
    leak_before: float
    output_before: float
    onset_within: int
    traces_apart: int
    release_output: float
    release_within: int
    interrupted_by: int
    unseen_most: int
    leak_window: int
    rate_least: int
    onset_unresolved: int
    swing_window: int
    swing_left: float
    swing_kept: float
    swing_gone: float


class SurgeRules(Section):
    """When a lot of fluid came."""

    rate: float
    window: int
    first_hour: float


class FluidRules(Section):
    """Canister changes and the fluid of a use."""

    change_least: float
    change_share: float
    change_stays: int
    change_empty: float
    change_pause: float
    change_beside: int
    change_unseen: int
    change_unseen_share: float
    lean_most: int
    restless_falls: int
    restless_within: int
    first_empty: float


class AlertRules(Section):
    """When ringing minutes are one alert."""

    bridge: int


class LeakRules(Section):
    """When the leak is on, has ended, came back."""

    half_window: int
    least_minutes: int
    on_above: float
    join_below: int
    blip_below: int
    confirm: int
    late_entry: int
    clock_doubt: int

    @model_validator(mode="after")
    def _window_holds_the_least(self) -> LeakRules:
        if self.least_minutes > 2 * self.half_window + 1:
            raise ValueError("least_minutes does not fit into twice half_window")
        return self


class DrainRules(Section):
    """When a drain's stretch was watched well enough for a sum over it."""

    watched_share: float
    read_within: int
    first_hours: float


class ProlongedLeakRules(Section):
    """One definition of a prolonged leak: past so many hours, or past a postoperative day of the calendar."""

    name: str
    threshold: float | None = None
    through_day: int | None = None
    begins_within: float | None = None
    leak_after: float
    watched_share: float
    removal_window: float
    presumed_after: float
    set_back: float
    presume_removal: bool

    @model_validator(mode="after")
    def _one_threshold(self) -> ProlongedLeakRules:
        if (self.threshold is None) == (self.through_day is None):
            raise ValueError("give either threshold or through_day")
        return self


class SensitivityRules(Section):
    """One figure of the published definition moved, to see how the rate moves with it."""

    name: str
    moves: str
    to: float


class ReadinessRules(Section):
    """When a leak counts as come back after ready."""

    return_above: float
    return_least: int
    return_within: float
    reading_within: int
    log_within: float


class StatisticsRules(Section):
    """Levels of intervals and limits."""

    level: float
    outer_level: float
    restricted_to: float
    suppress_below: int


class HandlingRules(Section):
    """When an alarm or a clamp was left longer than handling takes; what is one alarm, one occlusion."""

    alert_long: int
    clamp_long: int
    alarm_apart: int
    occlusion_apart: int


class ChartRules(Section):
    """Baselines of charts, when a denominator is small, and the run rules that may be asked for."""

    baseline_months: int
    least_evaluable: int
    least_baseline: int
    run: int
    trend: int


class ExtractRules(Section):
    """How far a patient's dates are moved in an extract."""

    shift_least: int
    shift_most: int


class UpkeepRules(Section):
    """When the lake is put in shape, what stays for whoever is still reading, what a disk must have free."""

    file_most: int
    reader_hours: int
    log_entries: int
    small_files: int
    free_least: int
    clock_slack: int


class ReconciliationRules(Section):
    """When a site that used to send logs has fallen silent."""

    silent_quantile: float
    silent_times: float
    silent_least: int
    silent_gaps: int


class StripRules(Section):
    """The strips that human readers are given."""

    minutes: int
    least_observed: float
    quiet_share: float


class Definitions(Section):
    """All sections of `definitions.toml`."""

    resolution: ResolutionRules
    plausible: PlausibleRules
    uses: UseRules
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


SectionT = TypeVar("SectionT", bound=Section)


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
