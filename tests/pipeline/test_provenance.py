"""Digests tell inputs apart, and call the same what is the same."""

from __future__ import annotations

import polars as pl

from pipeline.provenance import digest_groups

SCHEMA = {"use_id": pl.String, "leak": pl.Float64, "samples": pl.List(pl.Float32)}


def rows(*values: tuple[str, float | None, list[float | None] | None]) -> pl.DataFrame:
    return pl.DataFrame(values, schema=SCHEMA, orient="row")


def test_values_that_are_not_the_same_to_the_bit_have_different_digests() -> None:
    apart = [(0.0, [1.0]), (-0.0, [1.0]), (None, [1.0]), (0.0, [-0.0]), (0.0, [0.0]), (0.0, []), (0.0, None)]
    digests = {digest_groups(rows(("u", *values)), "use_id")["u"] for values in apart}
    assert len(digests) == len(apart)


def test_rows_in_another_order_have_another_digest() -> None:
    one, other = ("u", 1.0, None), ("u", 2.0, None)
    assert digest_groups(rows(one, other), "use_id") != digest_groups(rows(other, one), "use_id")


def test_a_digest_rests_on_its_own_rows_wherever_they_lie() -> None:
    own = [("b", 1.0, [1.0, None]), ("b", 2.0, None)]
    alone = digest_groups(rows(*own), "use_id")["b"]
    # Columns with unknown values among others carry a mask, which the rows alone may lack.
    among = rows(("a", None, None), *own, ("c", None, [3.0]))
    assert digest_groups(among, "use_id")["b"] == alone
    apart = pl.concat([among.head(2), among.tail(2)], rechunk=False)
    assert digest_groups(apart, "use_id")["b"] == alone
