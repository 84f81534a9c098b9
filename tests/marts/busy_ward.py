"""Two invented sites as frames that publishing takes: random, with nulls wherever one may stand; the same each time."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from random import Random
from typing import Any

START = datetime(2031, 1, 3, 9, tzinfo=UTC)
RULES = ("dry", "tight")
CODES = ("canister_full", "battery_low", "self_check_failed", "other:Q7")
REASONS = ("planned", "planned", "planned", "died", "replaced", "accidental", None)


def some(random: Random, value: Any, missing: float = 0.15) -> Any:
    """The value, or null now and then."""
    return None if random.random() < missing else value


def busy_ward(seed: int, drains: int = 90) -> dict[str, list[dict[str, Any]]]:
    """Rows by table: drains with their operations, days, periods, alerts, canisters and readiness."""
    random = Random(seed)
    rows: dict[str, list[dict[str, Any]]] = {
        name: []
        for name in (
            "drain",
            "operation",
            "drain_day",
            "period",
            "alert",
            "canister",
            "readiness",
            "load_file",
        )
    }
    for number in range(drains):
        drain = _drain(random, number)
        rows["drain"].append(drain)
        _of_a_drain(random, drain, rows)
        if drain["operation_id"] is not None:
            shared = (
                "operation_id",
                "site",
                "unit",
                "procedure",
                "origin_at",
                "origin_day",
                "prolonged_leak",
            )
            operation = {name: drain[name] for name in shared}
            operation["prolonged_leak_reason"] = drain["prolonged_leak_reason"]
            rows["operation"].append({**operation, "drains": 1})
    for number in range(30):
        read = random.randrange(0, 500)
        rejected = random.choice([0, 0, random.randrange(0, read + 1)])
        rows["load_file"].append(
            {
                "file_sha256": f"{number:064x}",
                "site": some(random, random.choice(["lakeside", "north"])),
                "exported_at": START + timedelta(days=random.randrange(0, 150)),
                "status": random.choice(["loaded", "partial", "rejected", "withdrawn"]),
                "rows_read": read,
                "rows_kept": read - rejected,
                "rows_rejected": rejected,
                "loaded_at": datetime(2031, 6, 1, 3, tzinfo=UTC) - timedelta(hours=random.randrange(0, 72)),
            }
        )
    return rows


def _drain(random: Random, number: int) -> dict[str, Any]:
    site = random.choice(["lakeside", "north"])
    linked = random.random() < 0.85
    origin = START + timedelta(hours=random.randrange(0, 24 * 150))
    observed = some(random, random.randrange(60, 12000), 0.1) or 0
    known = random.randrange(0, observed + 1)
    outcome = random.choice(["yes", "no", "no", "no", "unknown"])
    told = observed > 0 and random.random() < 0.85
    out = some(random, origin + timedelta(minutes=observed), 0.2) if linked else None
    return {
        "drain_id": f"D{number:04}",
        "operation_id": f"O{number:04}" if linked else None,
        "site": site,
        "unit": some(random, random.choice(["A", "B", "Ä'; --"]), 0.1) if linked else None,
        "procedure": some(random, random.choice(["lobectomy", "wedge"]), 0.2) if linked else None,
        "linked": linked,
        "shared_use": False,
        "uses": 1,
        "started_at": origin if observed else None,
        "ended_at": origin + timedelta(minutes=observed) if observed else None,
        "tube_in_at": origin if linked else None,
        "tube_out_at": out,
        "origin_at": origin,
        "origin_day": some(random, origin.date(), 0.05),
        "removal_reason": random.choice(REASONS) if out else None,
        "minutes_expected": some(random, observed + random.randrange(0, 300), 0.1),
        "minutes_observed": observed,
        "pause_hours": random.randrange(0, known + 1) / 60 if told else None,
        "state_known_minutes": known if told else 0,
        "tilted_minutes": random.randrange(0, known + 1) if told else None,
        "tilt_known_minutes": known if told else 0,
        "suction_shortfall_minutes": random.randrange(0, known + 1) if told else None,
        "suction_known_minutes": known if told else 0,
        "line_open_minutes": some(random, 0, 0.1) if told else None,
        "occlusion_minutes": some(random, random.randrange(0, 60), 0.1) if told else None,
        "prolonged_leak": outcome,
        "prolonged_leak_reason": random.choice(["died", "still_in"]) if outcome == "unknown" else None,
        "canister_changes": some(random, random.randrange(0, 4)) if told else None,
        "alert_count": 0 if told else None,
        "alerts_known_minutes": known if told else 0,
        "mains_minutes": some(random, random.randrange(0, known + 1)) if told else None,
        "battery_minutes": some(random, random.randrange(0, 200)) if told else None,
    }


def _of_a_drain(random: Random, drain: dict[str, Any], rows: dict[str, list[dict[str, Any]]]) -> None:
    key, origin = {"drain_id": drain["drain_id"]}, drain["origin_at"]
    days = drain["minutes_observed"] // 1440 + 1 if drain["minutes_observed"] else 0
    for day_no in range(days):
        rows["drain_day"].append(
            {
                **key,
                "day": (origin + timedelta(days=day_no)).date(),
                "day_no": day_no,
                "minutes_observed": min(1440, drain["minutes_observed"] - 1440 * day_no),
                "output_ml": some(random, random.randrange(0, 9000) / 10, 0.3),
            }
        )
    if drain["alert_count"] is not None:
        drain["alert_count"] = random.choice([0, 0, 1, 2, 5])
        for place in range(drain["alert_count"]):
            began = origin + timedelta(minutes=200 * place)
            rang = random.choice([1, 2, 9, 15, 16, 240])
            rows["alert"].append(
                {
                    **key,
                    "code": random.choice(CODES),
                    "started_at": began,
                    "ended_at": began + timedelta(minutes=rang),
                    "minutes": rang,
                    "minutes_to_clear": some(random, rang, 0.2),
                }
            )
    if drain["occlusion_minutes"] is not None:
        for place in range(random.choice([0, 0, 0, 1, 2])):
            rows["period"].append(
                _period(
                    random, key, origin, place, "occlusion_suspected", ["possible", "probable", "annotated"]
                )
            )
    if drain["line_open_minutes"] is not None:
        for place in range(random.choice([0, 0, 1, 2])):
            rows["period"].append(
                _period(random, key, origin, place, "clamped", ["annotated", "possible", None])
            )
    for number in range(drain["canister_changes"] or 0):
        rows["canister"].append(
            {
                **key,
                "canister_no": number + 1,
                "fitted_at": origin + timedelta(hours=number),
                "removed_at": some(random, origin + timedelta(hours=number + 1), 0.3),
                "volume_ml": some(random, random.randrange(0, 20000) / 10, 0.1),
            }
        )
    for rule in RULES:
        ready = random.choice([True, False, None])
        out = drain["tube_out_at"] is not None
        rows["readiness"].append(
            {
                **key,
                "rule": rule,
                "ready_at": origin if ready else None,
                "hours_ready_before_removal": random.randrange(0, 600) / 10 if ready and out else None,
                "removed_before_ready": None if ready is None or not out else not ready,
                "leak_returned_within_24h": some(random, random.random() < 0.2, 0.5) if ready else None,
            }
        )


def _period(
    random: Random, key: dict[str, Any], origin: datetime, place: int, kind: str, grades: list[str | None]
) -> dict[str, Any]:
    began, minutes = origin + timedelta(hours=5 * place), random.choice([10, 15, 16, 50])
    return {
        **key,
        "kind": kind,
        "started_at": began,
        "ended_at": began + timedelta(minutes=minutes),
        "minutes": minutes,
        "grade": random.choice(grades),
    }
