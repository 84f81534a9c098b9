"""Which minutes belong to which drain, and what is listed when registry and logs disagree."""

from __future__ import annotations

from datetime import timedelta
from functools import cache
from importlib import util
from pathlib import Path
from types import ModuleType

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.cohort import claim, clock_findings, cuts_of, standing, use_annotations
from schemas.lake import LOAD_FILE, USE_TABLE
from schemas.published import DATA_QUALITY
from schemas.registry import REGISTRY_DRAIN

SECRET = b"a secret of the tests"


def stretches(claims, at) -> list[tuple]:
    """(drain key, use, from, until) with times in hours after the first minute."""
    named = claims.drain_use.join(claims.drains.select("drain_id", "drain_key"), on="drain_id")
    hours = lambda c: (pl.col(c) - at(0)).dt.total_minutes() / 60  # noqa: E731
    return (
        named.select("drain_key", pl.col("use_id").str.extract(":(.*)@"), hours("from_at"), hours("until_at"))
        .sort("drain_key", "from_at", nulls_last=True)
        .rows()
    )


def findings(claims) -> list[str]:
    return DATA_QUALITY.validate(claims.findings)["finding"].to_list()


def test_without_a_registry_each_use_is_a_drain(uses_of, use, registry_of, at) -> None:
    claims = claim(uses_of(use(), use(session=2, start=60, end=70)), registry_of(), SECRET)
    assert claims.drains["linked"].to_list() == [False, False]
    assert claims.drains["operation_id"].null_count() == 2
    assert stretches(claims, at) == [(None, "DV-1/1", 0, 48), (None, "DV-1/2", 60, 70)]
    assert findings(claims) == []


def test_a_drain_of_two_devices_holds_both_uses_between_in_and_out(
    uses_of, use, registry_of, drain, at
) -> None:
    uses = uses_of(use(end=20), use("DV-2", 7, start=20, end=60))
    claims = claim(uses, registry_of(drain(uses=["DV-1/1", "DV-2/7"], in_at=1, out_at=50)), SECRET)
    assert stretches(claims, at) == [("d1", "DV-1/1", 1, 20), ("d1", "DV-2/7", 20, 50)]
    assert findings(claims) == ["minutes_without_drain", "minutes_without_drain"]
    assert claims.findings["minutes"].to_list() == [60, 600]


def test_where_uses_are_not_given_device_and_time_decide(uses_of, use, registry_of, drain, at) -> None:
    uses = uses_of(use(end=20), use(session=2, start=30, end=60), use(session=3, start=90, end=95))
    claims = claim(uses, registry_of(drain(devices=["DV-1"], out_at=40)), SECRET)
    linked = [s for s in stretches(claims, at) if s[0]]
    assert linked == [("d1", "DV-1/1", 0, 20), ("d1", "DV-1/2", 30, 40)]
    assert claims.drains["linked"].to_list().count(False) == 1


def test_one_use_of_two_patients_is_cut_at_the_change(uses_of, use, registry_of, drain, at) -> None:
    uses = uses_of(use())
    registry = registry_of(drain(devices=["DV-1"], out_at=20), drain("d2", "p2", in_at=22, devices=["DV-1"]))
    assert stretches(claim(uses, registry, SECRET), at) == [("d1", "DV-1/1", 0, 20), ("d2", "DV-1/1", 22, 48)]
    assert cuts_of(uses, registry)["at"].to_list() == [at(20), at(22)]


def test_a_minute_belongs_where_it_starts(uses_of, use, registry_of, drain, at) -> None:
    half = 20 + 1 / 120
    registry = registry_of(
        drain(devices=["DV-1"], out_at=half), drain("d2", "p2", in_at=half, devices=["DV-1"])
    )
    claims = claim(uses_of(use()), registry, SECRET)
    edge = 20 + 1 / 60
    assert [s[2:] for s in stretches(claims, at)] == [(0, edge), (edge, 48)]


def test_a_pair_means_the_runs_that_overlap_the_tubes_dates(uses_of, use, registry_of, drain, at) -> None:
    uses = uses_of(use(), use(start=8000, end=8010, epoch=1))
    claims = claim(uses, registry_of(drain(uses=["DV-1/1"])), SECRET)
    assert stretches(claims, at) == [("d1", "DV-1/1", 0, 48), (None, "DV-1/1", 8000, 8010)]


@pytest.mark.parametrize("link", [{"uses": ["DV-1/1"]}, {"devices": ["DV-1"]}])
def test_an_unrecorded_removal_does_not_swallow_later_sessions(
    uses_of, use, registry_of, drain, at, link
) -> None:
    uses = uses_of(
        use(),
        use(start=80, end=90, stretch=1),
        use(session=2, start=100, end=110),
        use(start=9000, end=9010, epoch=1),
    )
    claims = claim(uses, registry_of(drain(out_at=None, **link)), SECRET)
    linked = [s for s in stretches(claims, at) if s[0]]
    assert linked == [("d1", "DV-1/1", 0, 48), ("d1", "DV-1/1", 80, 90)]


def test_two_tubes_of_one_side_share_a_use(uses_of, use, registry_of, drain, at) -> None:
    registry = registry_of(drain(uses=["DV-1/1"]), drain("d2", uses=["DV-1/1"], out_at=30))
    claims = claim(uses_of(use()), registry, SECRET)
    assert claims.drains["shared_use"].to_list() == [True, True]
    assert stretches(claims, at) == [("d1", "DV-1/1", 0, 48), ("d2", "DV-1/1", 0, 30)]
    assert claims.drains["operation_id"].n_unique() == 1
    assert findings(claims) == []


@pytest.mark.parametrize("other", [{"patient": "p2"}, {"side": "right"}])
def test_a_double_claim_goes_to_the_later_tube_and_is_listed(
    uses_of, use, registry_of, drain, at, other
) -> None:
    registry = registry_of(drain(uses=["DV-1/1"], out_at=30), drain("d2", in_at=20, uses=["DV-1/1"], **other))
    claims = claim(uses_of(use()), registry, SECRET)
    assert stretches(claims, at) == [("d1", "DV-1/1", 0, 20), ("d2", "DV-1/1", 20, 48)]
    assert claims.findings.select("finding", "minutes").rows() == [("use_claimed_twice", 600)]
    assert claims.drains["shared_use"].to_list() == [False, False]


def test_a_claim_by_name_wins_over_one_by_device(uses_of, use, registry_of, drain, at) -> None:
    registry = registry_of(drain(uses=["DV-1/1"]), drain("d2", "p2", in_at=20, devices=["DV-1"]))
    claims = claim(uses_of(use()), registry, SECRET)
    assert stretches(claims, at) == [("d1", "DV-1/1", 0, 48)]
    assert findings(claims) == ["use_claimed_twice", "drain_without_log"]


def test_of_two_devices_at_once_the_newer_serves(uses_of, use, registry_of, drain, at) -> None:
    uses = uses_of(use(), use("DV-2", 7, start=20, end=24))
    claims = claim(uses, registry_of(drain(devices=["DV-1", "DV-2"])), SECRET)
    assert stretches(claims, at) == [
        ("d1", "DV-1/1", 0, 20),
        ("d1", "DV-2/7", 20, 24),
        ("d1", "DV-1/1", 24, 48),
    ]
    assert claims.findings.select("finding", "minutes").rows() == [("minutes_without_drain", 240)]


def test_contradictions_are_listed(uses_of, use, registry_of, drain) -> None:
    registry = registry_of(
        drain("backwards", in_at=10, out_at=5, uses=["DV-1/1"]),
        drain("absent", "p2", uses=["DV-9/9"]),
        drain("elsewhen", "p3", in_at=500, out_at=600, uses=["DV-1/1"]),
        drain("nothing", "p4"),
    )
    claims = claim(uses_of(use()), registry, SECRET)
    assert sorted(findings(claims)) == [
        "drain_without_log",
        "drain_without_log",
        "drain_without_log",
        "log_outside_drain",
        "minutes_without_drain",
        "named_use_without_log",
        "tube_out_before_in",
    ]
    backwards = claims.drains.filter(drain_key="backwards")
    assert backwards["tube_out_at"].to_list() == [None]


def test_no_hospital_key_reaches_a_finding(uses_of, use, registry_of, drain) -> None:
    registry = registry_of(
        drain("KEY-A", "KEY-B", out_at=30, uses=["DV-1/1"]), drain("KEY-C", "KEY-D", uses=["DV-1/1"])
    )
    claims = claim(uses_of(use()), registry, SECRET)
    assert claims.findings.height > 0
    assert "KEY" not in claims.findings.write_csv()


def test_annotations_fall_on_the_uses_of_their_drain(
    uses_of, use, registry_of, drain, annotations_of, at
) -> None:
    uses = uses_of(use(), use("DV-2", start=10, end=20))
    note = {"site": "lakeside", "drain_key": "d1", "exported_at": at(99), "file_sha256": "b" * 64}
    annotations = annotations_of(
        note | {"kind": "clamp_trial", "started_at": at(-1), "ended_at": at(3)},
        note | {"kind": "note", "started_at": at(5), "ended_at": None},
        note | {"kind": "note", "started_at": at(50), "ended_at": None},
    )
    got = use_annotations(uses, registry_of(drain(uses=["DV-1/1"])), annotations)
    assert got.select("started_at", "ended_at", "kind").rows() == [
        (at(0), at(3), "clamp_trial"),
        (at(5), None, "note"),
    ]
    assert got["use_id"].unique().to_list() == [uses["use_id"][0]]


USES = st.lists(
    st.tuples(st.sampled_from(["DV-1", "DV-2"]), st.integers(0, 60), st.integers(1, 30)),
    min_size=1,
    max_size=5,
)
ROWS = st.lists(
    st.tuples(
        st.sampled_from(["p1", "p2"]),
        st.sampled_from(["left", "right", None]),
        st.integers(0, 60),
        st.none() | st.integers(-2, 40),
        st.sampled_from([("uses", "DV-1"), ("uses", "DV-2"), ("devices", "DV-1"), ("devices", "DV-2"), None]),
        st.integers(0, 4),
    ),
    max_size=5,
)


@cache
def _factories() -> ModuleType:
    """The functions beside (a property cannot take them as fixtures)."""
    spec = util.spec_from_file_location("cohort_factories", Path(__file__).with_name("conftest.py"))
    assert spec is not None
    assert spec.loader is not None
    module = util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def built(uses: list, rows: list) -> tuple[pl.DataFrame, pl.DataFrame]:
    make = _factories()
    clock = {"DV-1": 0, "DV-2": 0}
    use_rows = []
    for number, (device, gap, length) in enumerate(uses):
        start = clock[device] + gap
        clock[device] = start + length
        use_rows.append(make.use_row(device, number % 3, start, start + length, stretch=number))
    drain_rows = []
    for number, (patient, side, in_at, stay, link, session) in enumerate(rows):
        more = {}
        if link:
            more = {link[0]: [f"{link[1]}/{session}" if link[0] == "uses" else link[1]]}
        out_at = None if stay is None else in_at + stay
        drain_rows.append(make.registry_row(f"d{number}", patient, in_at, out_at, side=side, **more))
    return make.frame(USE_TABLE, use_rows), make.frame(REGISTRY_DRAIN, drain_rows)


@settings(deadline=None, max_examples=30)
@given(USES, ROWS)
def test_every_minute_of_every_use_is_held_or_listed(uses: list, rows: list) -> None:
    use_frame, registry = built(uses, rows)
    claims = claim(use_frame, registry, SECRET)
    assert claims.drains["drain_id"].n_unique() == claims.drains.height
    length = (pl.col("until_at") - pl.col("from_at")).dt.total_minutes()
    assert claims.drain_use.filter(length <= 0).is_empty()
    # No minute of a drain twice.
    ordered = claims.drain_use.sort("drain_id", "from_at")
    again = ordered.filter(
        (pl.col("from_at") < pl.col("until_at").shift(1).over("drain_id")).fill_null(False)
    )
    assert again.is_empty()
    # A use's minutes are held by drains or listed; only a Y-connector holds minutes twice.
    total = use_frame.select(((pl.col("ended_at") - pl.col("started_at")).dt.total_minutes()).sum()).item()
    minutes = set()
    for use_id, start, end in claims.drain_use.select("use_id", "from_at", "until_at").iter_rows():
        minutes |= {(use_id, m) for m in pl.datetime_range(start, end, "1h", closed="left", eager=True)}
    free = claims.findings.filter(
        pl.col("finding").eq("minutes_without_drain") & pl.col("drain_id").is_null()
    )["minutes"].sum()
    idle = claims.findings.filter(
        pl.col("finding").eq("minutes_without_drain") & pl.col("drain_id").is_not_null()
    )["minutes"].sum()
    assert len(minutes) * 60 + free <= total
    assert len(minutes) * 60 + free + idle >= total


@settings(deadline=None, max_examples=30)
@given(USES, ROWS, st.randoms())
def test_claims_do_not_depend_on_the_order_of_rows(uses: list, rows: list, chance) -> None:
    use_frame, registry = built(uses, rows)
    seed = chance.randint(0, 99)
    one = claim(use_frame, registry, SECRET)
    other = claim(
        use_frame.sample(fraction=1, shuffle=True, seed=seed),
        registry.sample(fraction=1, shuffle=True, seed=seed),
        SECRET,
    )
    assert one.drains.equals(other.drains)
    assert one.drain_use.equals(other.drain_use)
    assert one.findings.equals(other.findings)


@settings(deadline=None, max_examples=30)
@given(USES, ROWS)
def test_the_cuts_of_a_device_rest_on_its_own_uses_and_rows(uses: list, rows: list) -> None:
    use_frame, registry = built(uses, rows)
    everything = cuts_of(use_frame, registry)
    for device in ("DV-1", "DV-2"):
        own = use_frame.filter(device=device)
        mentions = pl.col("devices").list.contains(device).fill_null(False) | pl.col("uses").list.eval(
            pl.element().str.starts_with(device + "/")
        ).list.any().fill_null(False)
        alone = cuts_of(own, standing(registry).filter(mentions))
        assert alone.equals(everything.filter(pl.col("use_id").is_in(own["use_id"].implode())))


def test_surgery_that_ended_after_the_tube_was_out_is_listed_and_not_an_origin(
    uses_of, use, registry_of, drain
) -> None:
    registry = registry_of(drain(uses=["DV-1/1"], out_at=48, procedure_end_at=50))
    claims = claim(uses_of(use()), registry, SECRET)
    assert claims.findings.select("finding", "minutes").rows() == [("procedure_end_after_out", 120)]
    assert claims.drains["procedure_end_at"].to_list() == [None]


def test_registries_of_one_time_that_disagree_are_listed_with_what_differs(
    uses_of, use, registry_of, drain
) -> None:
    one = registry_of(drain(uses=["DV-1/1"], unit="T4"))
    other = registry_of(drain(uses=["DV-1/1"], unit="T9", out_at=40))
    same_time = other.with_columns(file_sha256=pl.lit("e" * 64))
    later = same_time.with_columns(pl.col("exported_at") + timedelta(days=1))

    def told(*files: pl.DataFrame) -> list[tuple[str, str]]:
        claims = claim(uses_of(use()), pl.concat(files), SECRET)
        return claims.findings.filter(pl.col("finding") == "registry_rows_disagree")["detail"].to_list()

    assert told(one) == told(one, one) == told(one, later) == []
    (detail,) = told(one, same_time)
    assert "differ in tube_out_at, unit;" in detail
    assert told(same_time, one) == [detail]


def test_an_annotation_that_touches_no_minute_is_listed(
    uses_of, use, registry_of, drain, annotations_of, at
) -> None:
    note = {"site": "lakeside", "kind": "note", "exported_at": at(99), "file_sha256": "b" * 64}
    annotations = annotations_of(
        note | {"drain_key": "d1", "started_at": at(3)},
        note | {"drain_key": "d1", "started_at": at(300)},
        note | {"drain_key": "d9", "started_at": at(3)},
    )
    claims = claim(uses_of(use()), registry_of(drain(uses=["DV-1/1"])), SECRET, annotations)
    assert findings(claims) == ["annotation_without_minutes"] * 2
    assert claims.findings["drain_id"].is_null().to_list() == [False, True]


def files_of(*rows: tuple[str, str, str, str]) -> pl.DataFrame:
    """LOAD_FILE rows: device, zone, date of the export, digest."""
    told = [
        {"file_sha256": sha, "site": "lakeside", "device": device, "timezone": zone, "exported_at": on}
        for device, zone, on, sha in rows
    ]
    frame = pl.DataFrame(told).with_columns(pl.col("exported_at").str.to_datetime(time_zone="UTC"))
    return LOAD_FILE.conform(frame)


def test_a_device_whose_exports_name_two_zones_is_listed() -> None:
    files = files_of(
        ("DV-1", "Europe/Zurich", "2031-03-01T00:00", "a"),
        ("DV-1", "Europe/London", "2031-03-02T00:00", "b"),
        ("DV-2", "Europe/Zurich", "2031-03-01T00:00", "c"),
    )
    found = DATA_QUALITY.validate(clock_findings(files))
    assert found.select("device", "finding").rows() == [("DV-1", "time_zones_differ")]
    assert found["detail"][0] == "its exports give its clock the zones Europe/London, Europe/Zurich"


def test_two_names_of_the_same_time_are_no_contradiction() -> None:
    files = files_of(
        ("DV-1", "Europe/Zurich", "2031-03-01T00:00", "a"), ("DV-1", "Europe/Berlin", "2031-07-02T00:00", "b")
    )
    assert clock_findings(files).is_empty()
    assert clock_findings(files.clear()).is_empty()


def test_a_use_that_no_row_claims_is_listed_where_the_site_keeps_a_registry(
    uses_of, use, registry_of, drain, at
) -> None:
    uses = uses_of(use(), use(device="DV-0099", session=4))
    assert findings(claim(uses, registry_of(), SECRET)) == []
    claims = claim(uses, registry_of(drain(uses=["DV-1/1"])), SECRET)
    listed = claims.findings.filter(pl.col("finding") == "use_without_drain")
    assert listed.select("device", "minutes").rows() == [("DV-0099", uses["minutes_observed"][0])]
    assert sorted(claims.drains["linked"]) == [False, True]
