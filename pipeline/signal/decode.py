"""Sampled-data text → numbers, for a whole column of traces."""

from __future__ import annotations

import polars as pl

from schemas.errors import InputError

_NUMBER = r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?"
_WORD = rf"(?:{_NUMBER}|[EUL])"


def decode(texts: pl.Series, origin: float, factor: float) -> pl.Series:
    """
    Read traces written as numbers separated by spaces.

    The encoding is that of `SampledData.data` in HL7 FHIR R4: value = origin + factor × number;
    `E` no valid value, `U` above range, `L` below range.

    Parameters
    ----------
    texts
        String; one trace a row.
    origin, factor
        Of the whole column, in the unit wanted.

    Returns
    -------
    List(Float32): NaN for `E`, +inf for `U`, -inf for `L`. Null where the text is null or blank, or
    holds a word that is none of these: half a trace is not evidence.

    Raises
    ------
    InputError
        When origin or factor is not a finite number, or the factor is 0.

    Examples
    --------
    >>> decode(pl.Series(["-198 -195 E U", "1 x"]), 0.0, 0.1).to_list()
    [[-19.799999237060547, -19.5, nan, inf], None]
    """
    finite = pl.select(pl.lit(float(origin)).is_finite() & pl.lit(float(factor)).is_finite()).item()
    if not finite or factor == 0:
        raise InputError(
            f"decode: origin {origin!r} and factor {factor!r} must be finite and the factor not 0; "
            "mend the trace line of the file's preamble."
        )
    column = texts.cast(pl.String)
    known = column.str.contains(rf"^{_WORD}(?: {_WORD})*$").fill_null(value=False)
    coded = column.str.contains("[EUL]").fill_null(value=False)
    if (known & ~coded).all():
        return _numbers(column, origin, factor)
    kinds = ((known & ~coded, _numbers), (known & coded, _codes), (~known, _words))
    found = [(kind, read(column.filter(kind), origin, factor)) for kind, read in kinds if kind.any()]
    places = pl.concat([kind.arg_true() for kind, _ in found]).arg_sort()
    return pl.concat([traces for _, traces in found]).gather(places).rename(texts.name)


def _numbers(texts: pl.Series, origin: float, factor: float) -> pl.Series:
    """Traces of nothing but numbers, one space between them, as nearly all are: many times faster."""
    number = pl.element().cast(pl.Float64)
    return texts.str.split(" ").list.eval((origin + factor * number).cast(pl.Float32))


def _codes(texts: pl.Series, origin: float, factor: float) -> pl.Series:
    """Traces of numbers and letters, one space between them."""
    number = pl.element().cast(pl.Float64, strict=False)
    return texts.str.split(" ").list.eval(_value(pl.element(), origin + factor * number))


def _value(word: pl.Expr, number: pl.Expr) -> pl.Expr:
    """What a word says: a letter's meaning, or else the number."""
    return (
        pl.when(word == "E")
        .then(pl.lit(float("nan")))
        .when(word == "U")
        .then(pl.lit(float("inf")))
        .when(word == "L")
        .then(pl.lit(float("-inf")))
        .otherwise(number)
        .cast(pl.Float32)
    )


def _words(texts: pl.Series, origin: float, factor: float) -> pl.Series:
    """Any traces, word by word."""
    column = texts.rename("trace").to_frame().with_row_index("row")
    words = (
        column.lazy()
        .with_columns(pl.col("trace").str.strip_chars().str.split(" "))
        .explode("trace", empty_as_null=True, keep_nulls=True)
        .filter(pl.col("trace").is_not_null() & (pl.col("trace") != ""))
    )
    # Words that Polars would read as numbers but the standard does not know, nan and inf, are refused.
    number = pl.when(pl.col("trace").str.contains(f"^{_NUMBER}$")).then(
        pl.col("trace").cast(pl.Float64, strict=False)
    )
    value = _value(pl.col("trace"), origin + factor * number)
    traces = (
        words.with_columns(value.alias("value"))
        .group_by("row", maintain_order=True)
        .agg(pl.col("value"), pl.col("value").is_null().any().alias("unreadable"))
        .with_columns(pl.when(~pl.col("unreadable")).then(pl.col("value")).alias("value"))
        .collect()
    )
    return (
        column.select("row")
        .join(traces.select("row", "value"), on="row", how="left", maintain_order="left")
        .get_column("value")
        .rename(texts.name)
    )
