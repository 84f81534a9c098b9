"""In: words and figures of a page. Out: markup. Everything put in is escaped unless it is markup already."""

from __future__ import annotations

from functools import cache
from importlib.resources import files
from typing import Any

from jinja2 import Environment, FunctionLoader, StrictUndefined
from markupsafe import Markup

__all__ = ["render", "text"]


def render(template: str, **values: Any) -> Markup:
    """A template of this folder filled in; text is escaped, markup is not."""
    return Markup(_environment().get_template(template).render(**values))  # noqa: S704


@cache
def text(name: str) -> str:
    """A file of this folder as it is."""
    return files(__name__).joinpath(name).read_text(encoding="utf-8")


@cache
def _environment() -> Environment:
    return Environment(
        loader=FunctionLoader(text), autoescape=True, undefined=StrictUndefined, keep_trailing_newline=False
    )
