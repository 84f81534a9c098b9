"""The ledger's words for a drain, as a thoracic nurse would say them."""

from __future__ import annotations

from schemas.vocabulary import (
    AlertCode,
    AnnotationKind,
    Grade,
    OutcomeReason,
    PeriodKind,
    RemovalReason,
    State,
    TidalingBasis,
    Verdict,
)

OUTCOMES = {
    "yes": "yes, longer than 5 days",
    "no": "no, not longer than 5 days",
    "unknown": "cannot be told",
}
REASONS: dict[str, str] = {
    OutcomeReason.REMOVAL_PRESUMED: "nobody recorded the removal; it is presumed from the log",
    OutcomeReason.LOG_ENDS_LEAKING: "the leak was on when it could last be told",
    OutcomeReason.DIED: "the patient died with the drain in",
    OutcomeReason.TRANSFERRED_WITH_DRAIN: "the patient was transferred with the drain",
    OutcomeReason.DISCHARGED_WITH_DRAIN: "the patient went home with the drain",
    OutcomeReason.REPLACED: "the drain was replaced",
    OutcomeReason.ACCIDENTAL: "the drain came out by accident",
    OutcomeReason.REMOVED_LEAKING: "the drain was removed while the leak was on",
    OutcomeReason.STILL_IN: "the drain may still be in",
    OutcomeReason.GAP_SPANS_THRESHOLD: "minutes that would decide it are missing or cannot be used",
    OutcomeReason.LATE_ENTRY: "the log begins too late to tell",
    OutcomeReason.CLOCK_UNCERTAIN: "the device's clock cannot be trusted enough to tell",
    OutcomeReason.NO_LOG: "no log of it came",
    OutcomeReason.TOO_LITTLE_DATA: "too few minutes in which a leak could be judged",
}
REMOVALS: dict[str, str] = {
    RemovalReason.PLANNED: "planned",
    RemovalReason.ACCIDENTAL: "came out by accident",
    RemovalReason.REPLACED: "replaced by another drain",
    RemovalReason.DIED: "the patient died",
    RemovalReason.TRANSFERRED_WITH_DRAIN: "transferred with the drain in",
    RemovalReason.DISCHARGED_WITH_DRAIN: "went home with the drain in",
    RemovalReason.OTHER: "another reason",
}
RINGS: dict[str, str] = {
    AlertCode.CANISTER_FULL: "canister full",
    AlertCode.BATTERY_LOW: "battery low",
    AlertCode.LINE_BLOCKED: "line blocked",
    AlertCode.FILTER_BLOCKED: "filter blocked",
    AlertCode.LINE_LEAK: "leak in the line",
    AlertCode.PAUSE_LONG: "paused too long",
    AlertCode.SELF_CHECK_FAILED: "self-check failed",
    AlertCode.OUTPUT_HIGH: "a lot of fluid",
}
NOTES: dict[str, str] = {
    AnnotationKind.CLAMP_TRIAL: "clamp trial",
    AnnotationKind.VENTILATED: "patient ventilated",
    AnnotationKind.PROCEDURE: "procedure",
    AnnotationKind.CONFIRMED_OCCLUSION: "occlusion confirmed",
    AnnotationKind.REFUTED: "suspicion refuted",
    AnnotationKind.NOTE: "a note (its text stays in the ward)",
}
STATES: dict[str, str] = {
    State.RUN: "suction running",
    State.PAUSE: "paused",
    State.CHECK: "self-check",
}
VERDICTS: dict[str, str] = {
    Verdict.PRESENT: "seen",
    Verdict.ABSENT: "found absent",
    Verdict.INDETERMINATE: "undecided",
    Verdict.NOT_ASSESSABLE: "cannot be assessed",
}
GRADES: dict[str, str] = {
    Grade.POSSIBLE: "possible",
    Grade.PROBABLE: "probable",
    Grade.UNRESOLVED: "unresolved",
    Grade.ANNOTATED: "noted by staff",
}
BASES: dict[str, str] = {
    TidalingBasis.TRACE: "from a pressure trace of single breaths",
    TidalingBasis.ENVELOPE: "from the least and greatest pressure of the minutes around",
}
# As a sentence counts them: one, several.
STRETCHES: dict[PeriodKind, tuple[str, str]] = {
    PeriodKind.OCCLUSION_SUSPECTED: ("suspected occlusion", "suspected occlusions"),
    PeriodKind.CLAMPED: ("stretch with the line clamped", "stretches with the line clamped"),
    PeriodKind.FLOW_STOPPED: (
        "sudden stop of breathing and leak, cause unknown",
        "sudden stops of breathing and leak, cause unknown",
    ),
    PeriodKind.LINE_OPEN: ("stretch with the line open", "stretches with the line open"),
    PeriodKind.SUCTION_SHORTFALL: ("stretch short of suction", "stretches short of suction"),
    PeriodKind.OUTPUT_SURGE: ("surge of fluid", "surges of fluid"),
}


def long(minutes: float) -> str:
    """
    A length of time as one says it.

    Examples
    --------
    >>> long(41), long(60), long(135), long(4320), long(0)
    ('41 min', '1 h', '2 h 15 min', '3 days', '0 min')
    >>> long(4 * 1440 + 605)
    '4 days 10 h'
    """
    whole = round(minutes)
    if whole < 60:
        return f"{whole} min"
    hours, rest = divmod(whole, 60)
    if hours < 48:
        return f"{hours} h" + (f" {rest} min" if rest else "")
    days, left = divmod(round(whole / 60), 24)
    return f"{days} days" + (f" {left} h" if left else "")


def counted(number: int, one: str, several: str) -> str:
    """
    A count in words, as far as ten.

    Examples
    --------
    >>> counted(1, "canister change", "canister changes"), counted(14, "alert", "alerts")
    ('one canister change', '14 alerts')
    """
    words = ("no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten")
    said = words[number] if number < len(words) else f"{number:,}"
    return f"{said} {one if number == 1 else several}"


def listed(parts: list[str]) -> str:
    """
    Words in a row.

    Examples
    --------
    >>> listed(["a", "b", "c"]), listed(["a"]), listed([])
    ('a, b and c', 'a', '')
    """
    return parts[0] if len(parts) == 1 else f"{', '.join(parts[:-1])} and {parts[-1]}" if parts else ""
