"""The look of pictures: a file that stands alone, and the same one each time."""

import altair as alt
import polars as pl
import pytest

from pipeline.report import BANDS, picture
from schemas.vocabulary import PeriodKind


def chart() -> alt.Chart:
    rows = pl.DataFrame({"hour": [0, 1, 2], "leak": [30.0, 20.0, 10.0]})
    return alt.Chart(rows).mark_line().encode(x="hour:Q", y="leak:Q")


def test_the_same_chart_gives_the_same_svg(tmp_path):
    one = picture(chart(), tmp_path / "one.svg").read_bytes()
    assert one == picture(chart(), tmp_path / "two.svg").read_bytes()
    assert one.startswith(b"<svg")
    assert b"href" not in one.replace(b"xmlns:xlink", b"").replace(b'xlink:href="#', b"")


def test_a_picture_of_another_kind_is_refused_by_name(tmp_path):
    with pytest.raises(ValueError, match=r"strip\.gif"):
        picture(chart(), tmp_path / "strip.gif")


def test_every_kind_of_period_has_a_colour():
    assert set(BANDS) == {kind.value for kind in PeriodKind}
