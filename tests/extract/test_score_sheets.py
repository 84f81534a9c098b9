"""Score sheets as readers and their spreadsheets hand them in, and what is wrong with them in one sentence."""

from __future__ import annotations

from pathlib import Path

import polars as pl
import pytest

from pipeline.extract.agreement import accuracy, agreement, disagreements
from pipeline.extract.score_sheet import blank_sheet, read_sheet, side_by_side
from pipeline.extract.strip_frame import QUESTIONS
from schemas.errors import InputError

_HEAD = "sample,strip,tidaling,leak,blocked,clamped,line_open,disturbed,remark\n"


def _sheet(folder: Path, text: str | bytes, name: str = "one.csv") -> Path:
    path = folder / name
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


def test_a_blank_sheet_reads_back_unanswered(tmp_path: Path) -> None:
    sample, answers = read_sheet(_sheet(tmp_path, blank_sheet("V1", ["ABCD", "EFGH"])))
    assert sample == "V1"
    assert answers == {strip: dict.fromkeys(QUESTIONS) for strip in ("ABCD", "EFGH")}


def test_what_a_spreadsheet_makes_of_it_is_read(tmp_path: Path) -> None:
    text = "\ufeff" + _HEAD.replace(",", ";").replace("\n", "\r\n")
    text += "V1;abcd; Present ;NO;cannot tell;no;;yes;a, b\r\n;;;;;;;;\r\n"
    _, answers = read_sheet(_sheet(tmp_path, text))
    assert list(answers["ABCD"].values()) == ["present", "no", "cannot_tell", "no", None, "yes"]


@pytest.mark.parametrize(
    ("text", "told"),
    [
        (b"", "is empty"),
        (b"\xff\xfe\x00", "not UTF-8"),
        (_HEAD.replace("leak,", "") + "V1,A,present,no,no,no,no,\n", "the column leak is missing"),
        (_HEAD.replace("remark", "score") + "V1,A,present,no,no,no,no,no,\n", "no column 'score'"),
        (_HEAD + "V1,A,maybe,no,no,no,no,no,\n", "line 2: tidaling is 'maybe'; allowed are present, absent"),
        (
            _HEAD + "V1,A,present,no,no,no,no,no,\nV1,A,present,no,no,no,no,no,\n",
            "line 3: strip A is there twice",
        ),
        (_HEAD + "V1,A,present,no\n", "line 2: 4 cells for 9 columns"),
        (_HEAD + "V1,A,,,,,,,\nV2,B,,,,,,,\n", "holds rows of 2 samples"),
        (_HEAD, "holds rows of 0 samples"),
        (_HEAD + 'V1,A,"present,no\n', "is not CSV"),
    ],
)
def test_a_malformed_sheet_is_one_sentence(text: str | bytes, told: str, tmp_path: Path) -> None:
    with pytest.raises(InputError) as error:
        read_sheet(_sheet(tmp_path, text))
    assert told in str(error.value)
    assert str(error.value).startswith("one.csv")
    assert "\n" not in str(error.value)


def _key(pipeline: list[str], weights: list[float]) -> pl.DataFrame:
    strips = [f"S{n}" for n in range(len(pipeline))]
    other = {q: ["no"] * len(strips) for q in QUESTIONS if q != "tidaling"}
    return pl.DataFrame({"strip": strips, "stratum": "x", "weight": weights, "tidaling": pipeline, **other})


def _beside(
    pipeline: list[str], one: list[str | None], other: list[str | None], weights: list[float] | None = None
) -> pl.DataFrame:
    def answers(given: list[str | None]) -> dict[str, dict[str, str | None]]:
        return {f"S{n}": dict.fromkeys(QUESTIONS, "no") | {"tidaling": a} for n, a in enumerate(given)}

    key = _key(pipeline, weights or [1.0] * len(pipeline))
    return side_by_side(key, [("one", answers(one)), ("two", answers(other))])


def test_a_strip_too_few_or_too_many_is_named() -> None:
    key = _key(["present", "absent"], [1.0, 1.0])
    full = {f"S{n}": dict.fromkeys(QUESTIONS) for n in range(2)}
    with pytest.raises(InputError, match="two: 1 of 2 strips are missing, S1 the first"):
        side_by_side(key, [("one", full), ("two", {"S0": full["S0"]})])
    with pytest.raises(InputError, match="one: strip S9 is not of this sample"):
        side_by_side(key, [("one", full | {"S9": full["S0"]}), ("two", full)])


def _row(frame: pl.DataFrame, finding: str, measure: str) -> dict[str, float]:
    return frame.filter((pl.col("finding") == finding) & (pl.col("measure") == measure)).row(0, named=True)


def test_the_consensus_is_what_both_say_and_cannot_tell_is_no_reference() -> None:
    pipeline = ["present", "present", "absent", "cannot_tell", "present", "absent"]
    one = ["present", "absent", "absent", "present", "cannot_tell", None]
    two = ["present", "absent", "absent", "present", "cannot_tell", "absent"]
    found = _row(accuracy(_beside(pipeline, one, two), 0.95), "tidaling present", "sensitivity")
    # Present by both: strips 0 and 3; the pipeline has the one and could not tell the other.
    assert (found["consensus"], found["told"], found["right"], found["untold"]) == (2, 1, 1, 1)
    assert (found["estimate"], found["if_untold_wrong"], found["if_untold_right"]) == (1.0, 0.5, 1.0)
    found = _row(accuracy(_beside(pipeline, one, two), 0.95), "tidaling present", "specificity")
    assert (found["consensus"], found["right"]) == (2, 1)
    apart = disagreements(_beside(pipeline, one, two))
    assert apart.filter(pl.col("between") == "consensus, pipeline")["strip"].to_list() == ["S1", "S3", "S4"]


def test_weights_give_back_what_the_sample_took_from_common_strata() -> None:
    # Ten strips of a rare stratum, all found; ten that stand for a hundred each, half of them found.
    pipeline = ["present"] * 15 + ["absent"] * 5
    weights = [1.0] * 10 + [100.0] * 10
    found = _row(
        accuracy(_beside(pipeline, ["present"] * 20, ["present"] * 20, weights), 0.95),
        "tidaling present",
        "sensitivity",
    )
    assert found["estimate"] == 0.75
    assert found["weighted"] == pytest.approx((10 + 500) / 1010)
    assert found["weighted_low"] < found["weighted"] < found["weighted_high"]
    assert found["weighted_high"] - found["weighted_low"] > found["wilson_high"] - found["wilson_low"]


def test_where_nothing_can_be_told_there_is_no_figure() -> None:
    found = _row(
        accuracy(_beside(["absent"], ["absent"], ["absent"]), 0.95), "tidaling present", "sensitivity"
    )
    assert found["consensus"] == 0
    assert found["estimate"] is None
    assert found["exact_low"] is None
    kappa = agreement(_beside(["absent"], ["absent"], ["absent"]), 0.95).row(0, named=True)
    assert (kappa["agreed"], kappa["kappa"]) == (1, None)
