"""What staff noted is published as what it is, beside what the log says to it, and leaves with its file."""

from __future__ import annotations

from flows.keeping.withdraw import run_withdraw
from flows.loading.request import request_for
from tests.marts.test_change_causes import REGISTRY, Ledger, log
from tests.support.homes import NOW

EXPORT = "2031-03-10T12:00:00+01:00"
NOTES = """# drain-annotations: 1
# exported_at: 2031-04-01T06:00:00+02:00
drain_key,site,started_at,ended_at,kind,author_role,note
K1,lakeside,2031-03-10T08:30:00+01:00,2031-03-10T09:30:00+01:00,confirmed_occlusion,Wigeon,Pochard of bed 7
K1,lakeside,2031-03-10T09:00:00+01:00,,note,Wigeon,Garganey
K2,lakeside,2031-03-10T08:30:00+01:00,2031-03-10T09:30:00+01:00,clamp_trial,Wigeon,
K2,lakeside,2031-03-10T09:40:00+01:00,,clamp_trial,Wigeon,
K2,lakeside,2031-03-10T14:00:00+01:00,2031-03-10T14:30:00+01:00,clamp_trial,Wigeon,
"""
# One that leaks and breathes through all of it, one in which nothing moves.
STILL = log("DV-2", 0, 119, EXPORT, leak=5).replace(",-22,-18,", ",-20,-20,")
LOGS = (log("DV-1", 0, 119, EXPORT), STILL, REGISTRY)
FOUND = "FROM data_quality WHERE finding = 'annotation_against_log'"


def told(ledger: Ledger) -> list[tuple]:
    rows = ledger.ask(
        "SELECT unit, kind, strftime(annotation.started_at, '%H:%M'), minutes, minutes_against_log, "
        "strftime(against_log_day, '%d %b') FROM annotation JOIN drain USING (drain_id) ORDER BY ALL"
    )
    return rows.rows()


def test_a_table_tells_each_note_with_the_minutes_that_speak_against_it(tmp_path):
    ledger = Ledger(tmp_path)
    ledger.load(*LOGS, NOTES)
    assert told(ledger) == [
        ("ward 4", "confirmed_occlusion", "07:30", 60, 60, "10 Mar"),
        ("ward 4", "note", "08:00", 1, None, None),
        ("ward 5", "clamp_trial", "07:30", 60, 0, None),
        ("ward 5", "clamp_trial", "08:40", 20, 0, None),
        ("ward 5", "clamp_trial", "13:00", 0, None, None),
    ]


def test_a_note_against_the_log_takes_no_minute_from_the_leak_and_is_listed(tmp_path):
    ledger = Ledger(tmp_path)
    ledger.load(*LOGS, NOTES)
    one = ledger.drain_in("ward 4")
    assert ledger.ask(f"SELECT drain_id, day::VARCHAR, minutes, detail {FOUND}").rows() == [
        (
            one,
            "2031-03-10",
            60,
            "confirmed_occlusion at 2031-03-10T07:30Z: the log shows flow in 60 of 60 min, which count for the "
            "lung",
        )
    ]
    drain = ledger.ask(f"FROM drain WHERE drain_id = '{one}'").row(0, named=True)
    assert (drain["occlusion_minutes"] or 0, drain["leak_total_l"]) == (0, 7.2)
    assert ledger.ask(
        f"SELECT grade, minutes FROM period WHERE drain_id = '{one}' AND grade IS NOT NULL"
    ).rows() == [("annotated", 60)]
    minutes = ledger.ask(
        f"SELECT flags, annotations, against_log FROM minute WHERE drain_id = '{one}' ORDER BY minute"
    )
    assert minutes["annotations"].to_list()[29:31] == [[], ["confirmed_occlusion"]]
    assert minutes["annotations"].to_list()[60] == ["confirmed_occlusion", "note"]
    assert minutes["against_log"].to_list()[60] == ["confirmed_occlusion"]
    assert "occlusion_suspected" in minutes["flags"].to_list()[60]


def test_no_word_and_no_author_of_a_note_is_published(tmp_path):
    ledger = Ledger(tmp_path)
    ledger.load(*LOGS, NOTES)
    published = ledger.home.database.read_bytes()
    for word in (b"Wigeon", b"Pochard", b"Garganey"):
        assert word not in published


def test_notes_that_come_later_or_are_withdrawn_leave_what_there_would_have_been(tmp_path):
    first, second = tmp_path / "first", tmp_path / "second"
    first.mkdir()
    second.mkdir()
    ledger, whole = Ledger(first), Ledger(second)
    ledger.load(*LOGS)
    assert told(ledger) == []
    ledger.load(NOTES)
    whole.load(*LOGS, NOTES)
    assert told(ledger) == told(whole)
    notes = ledger.ask("SELECT file_sha256 FROM load_file WHERE profile = 'drain-annotations'").item()
    run_withdraw(ledger.home, [notes], "of another ward", request_for(ledger.home), NOW)
    assert told(ledger) == []
    assert ledger.ask(FOUND).is_empty()
