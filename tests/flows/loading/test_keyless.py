"""What leaves for a worker instead of the hospital's keys decides just as they do."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import polars as pl
from hypothesis import given
from hypothesis import strategies as st

from flows.loading.keyless import keyless
from flows.loading.stale import Ward
from pipeline.cohort import cuts_of, use_annotations
from schemas.lake import USE_TABLE
from schemas.registry import ANNOTATION, REGISTRY_DRAIN

NOON = datetime(2031, 3, 10, 12, tzinfo=UTC)
KEYS = ["B", "a", "K-10", "K-9", "é", "Z 1"]
hours = st.integers(0, 48)


@st.composite
def wards(draw: st.DrawFn) -> Ward:
    """Up to six drains of a few patients that quarrel over two devices, with a clamp trial each."""
    rows = []
    for key in draw(st.permutations(KEYS))[: draw(st.integers(1, len(KEYS)))]:
        begin = NOON + timedelta(hours=draw(hours))
        rows.append(
            {
                "site": "s",
                "drain_key": key,
                "patient_key": draw(st.sampled_from(["p", "P", "ß"])),
                "unit": "ward 4",
                "tube_in_at": begin,
                "tube_out_at": draw(
                    st.one_of(st.none(), hours.map(lambda h, b=begin: b + timedelta(hours=h)))
                ),
                "uses": draw(st.sampled_from([["d/1"], ["d/1", "e/1"], None])),
                "devices": draw(st.sampled_from([["d"], ["e"], None])),
                "side": draw(st.sampled_from(["left", "right", None])),
                "exported_at": NOON,
                "file_sha256": "f",
            }
        )
    notes = [
        {
            "site": "s",
            "drain_key": row["drain_key"],
            "started_at": row["tube_in_at"] + timedelta(minutes=30),
            "ended_at": row["tube_in_at"] + timedelta(minutes=90),
            "kind": "clamp_trial",
            "note": "said by hand",
            "exported_at": NOON,
            "file_sha256": "g",
        }
        for row in rows
    ]
    return Ward(
        REGISTRY_DRAIN.conform(pl.DataFrame(rows, schema_overrides=REGISTRY_DRAIN.dtypes)),
        ANNOTATION.conform(pl.DataFrame(notes, schema_overrides=ANNOTATION.dtypes)),
    )


USES = USE_TABLE.conform(
    pl.DataFrame(
        [
            {
                "use_id": f"s:{device}/1",
                "site": "s",
                "device": device,
                "session": 1,
                "epoch": 0,
                "started_at": NOON - timedelta(hours=1),
                "ended_at": NOON + timedelta(hours=72),
            }
            for device in ("d", "e")
        ],
        schema_overrides=USE_TABLE.dtypes,
    )
)


@given(wards())
def test_a_ward_without_keys_cuts_uses_and_lays_annotations_where_the_ward_with_keys_does(ward: Ward) -> None:
    bare = keyless(ward)
    assert cuts_of(USES, bare.registry).equals(cuts_of(USES, ward.registry))
    ours = use_annotations(USES, bare.registry, bare.annotations)
    assert ours.equals(use_annotations(USES, ward.registry, ward.annotations))
    told = f"{bare.registry.rows()} {bare.annotations.rows()}"
    assert not any(word in told for word in ("K-10", "Z 1", "ß", "said by hand", "ward 4"))
