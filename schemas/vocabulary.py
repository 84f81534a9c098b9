"""The words of the trade as enums: each state, verdict, flag and reason is defined here and nowhere else."""

from __future__ import annotations

from enum import StrEnum


class State(StrEnum):
    """What the device was doing over the minute."""

    RUN = "run"  # suction running
    PAUSE = "pause"  # suction paused by staff
    CHECK = "check"  # self-check of tightness before use


class AlertCode(StrEnum):
    """Alerts a device may ring; a site's code without a counterpart becomes `other:<code>`."""

    CANISTER_FULL = "canister_full"
    BATTERY_LOW = "battery_low"
    LINE_BLOCKED = "line_blocked"
    FILTER_BLOCKED = "filter_blocked"
    LINE_LEAK = "line_leak"
    PAUSE_LONG = "pause_long"
    SELF_CHECK_FAILED = "self_check_failed"
    OUTPUT_HIGH = "output_high"


OTHER_ALERT_PREFIX = "other:"


class Verdict(StrEnum):
    """Does this trace or minute show the patient breathing through the drain?"""

    PRESENT = "present"
    ABSENT = "absent"  # a finding: the upper bound of any swing lies below what counts as breathing
    INDETERMINATE = "indeterminate"
    NOT_ASSESSABLE = "not_assessable"


class TidalingBasis(StrEnum):
    """What a minute's tidaling verdict rests on."""

    TRACE = "trace"  # samples of pressure
    ENVELOPE = "envelope"  # the minute's minimum and maximum only


class ArtefactKind(StrEnum):
    """What else moved the pressure in a trace, where something did."""

    NONE = "none"
    COUGH = "cough"
    MOTION = "motion"
    PUMP = "pump"
    CARDIAC = "cardiac"
    SATURATED = "saturated"
    FLAT = "flat"
    STEP = "step"


class PeriodKind(StrEnum):
    """The kinds of flagged stretches; also the members of a minute's `flags`."""

    TIDALING_PRESENT = "tidaling_present"
    TIDALING_ABSENT = "tidaling_absent"
    TIDALING_INDETERMINATE = "tidaling_indeterminate"
    TILTED = "tilted"
    PAUSED = "paused"
    OCCLUSION_SUSPECTED = "occlusion_suspected"
    CLAMPED = "clamped"
    FLOW_STOPPED = "flow_stopped"
    LINE_OPEN = "line_open"
    SUCTION_SHORTFALL = "suction_shortfall"
    LEAK = "leak"
    COUGH = "cough"
    MOTION = "motion"
    NO_DATA = "no_data"
    OUTPUT_SURGE = "output_surge"


class Grade(StrEnum):
    """How far a period's finding reaches."""

    POSSIBLE = "possible"
    PROBABLE = "probable"
    UNRESOLVED = "unresolved"  # line_open that has lasted: a large leak of the lung can look the same
    ANNOTATED = "annotated"  # staff said so; the log alone did not decide


class ProlongedLeak(StrEnum):
    """Did the leak go on past the definition's threshold? Unknown is a value, never a no."""

    YES = "yes"
    NO = "no"
    UNKNOWN = "unknown"


class OutcomeReason(StrEnum):
    """Why `prolonged_leak` is unknown, or what a no rests on where that is a presumption."""

    REMOVAL_PRESUMED = "removal_presumed"  # the only one beside a `no`
    LOG_ENDS_LEAKING = "log_ends_leaking"
    DIED = "died"
    TRANSFERRED_WITH_DRAIN = "transferred_with_drain"
    DISCHARGED_WITH_DRAIN = "discharged_with_drain"
    REPLACED = "replaced"
    ACCIDENTAL = "accidental"
    REMOVED_LEAKING = "removed_leaking"
    STILL_IN = "still_in"
    GAP_SPANS_THRESHOLD = "gap_spans_threshold"
    LATE_ENTRY = "late_entry"
    CLOCK_UNCERTAIN = "clock_uncertain"
    NO_LOG = "no_log"
    TOO_LITTLE_DATA = "too_little_data"


class RemovalReason(StrEnum):
    """Why the tube came out, in the registry's words."""

    PLANNED = "planned"
    ACCIDENTAL = "accidental"
    REPLACED = "replaced"
    DIED = "died"
    TRANSFERRED_WITH_DRAIN = "transferred_with_drain"
    DISCHARGED_WITH_DRAIN = "discharged_with_drain"
    OTHER = "other"


class Side(StrEnum):
    """Side of the chest."""

    LEFT = "left"
    RIGHT = "right"


class AnnotationKind(StrEnum):
    """What staff wrote beside the log."""

    CLAMP_TRIAL = "clamp_trial"
    VENTILATED = "ventilated"
    PROCEDURE = "procedure"
    CONFIRMED_OCCLUSION = "confirmed_occlusion"
    REFUTED = "refuted"
    NOTE = "note"


class FileStatus(StrEnum):
    """What became of a file."""

    LOADED = "loaded"  # every row read was kept
    PARTIAL = "partial"  # some rows were rejected, or the file was cut off
    REJECTED = "rejected"  # nothing of it was kept
    WITHDRAWN = "withdrawn"  # taken out of everything derived, on purpose


IN_FORCE = (FileStatus.LOADED.value, FileStatus.PARTIAL.value)  # files whose rows count


class RejectScope(StrEnum):
    """How much a broken rule cost."""

    FILE = "file"
    ROW = "row"
    CELL = "cell"  # the cell became null, the row was kept
