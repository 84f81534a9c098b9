"""The shell of every page: one HTML file that needs nothing from anywhere."""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

import vl_convert
from markupsafe import Markup

from pipeline.report.templates import render, text

CAUTION = (
    "This page shows finished drainage, for audit, teaching and research. It is neither a monitor nor a "
    "medical device. Tidaling can be missing for several reasons, a sealed and expanded lung being one of "
    "them. Never clamp a drain that still leaks because of what a report says. What is done for a patient is "
    "for those licensed to treat that patient to decide, by their local protocol."
)


@dataclass(frozen=True)
class Section:
    """
    A section of a page.

    Parameters
    ----------
    name
        Its id: lower-case letters, digits, hyphens.
    title
        Its heading.
    body
        From `figure.figure`, `table.table` and `templates.render`, joined.
    question
        What it answers, as a question.
    not_so
        How not to read it.
    """

    name: str
    title: str
    body: Markup
    question: str = ""
    not_so: str = ""


def page(
    title: str,
    lead: str,
    sections: Sequence[Section],
    *,
    made_from: Sequence[str] = (),
    up: tuple[str, str] | None = None,
    script: str = "",
) -> str:
    """
    Write a whole page.

    It carries its style, its charts' data and the libraries that draw them (once, and only where it has
    charts), and forbids itself every request by a content security policy: no script but the ones written
    here, known by their digests, may run, nothing can be fetched, no form sent.

    Parameters
    ----------
    title
        Heading and name of the page; plain text.
    lead
        One or two sentences below it.
    sections
        In order; two or more get a list of links.
    made_from
        Lines of the footer: from what and by which code the page was made.
    up
        Words and relative address of the page above this one.
    script
        JavaScript of this page alone, run after the libraries are there. `window.drainledger.views` holds
        the drawn charts by name; the event `drawn` on the document says that all are.

    Returns
    -------
    HTML, the same text for the same input.
    """
    alive = any("data-chart=" in section.body for section in sections)
    scripts = [_libraries()] if alive else []
    if script:
        scripts.append(script)
    return (
        str(
            render(
                "page.html.j2",
                title=title,
                lead=lead,
                caution=CAUTION,
                sections=sections,
                made_from=made_from,
                up=up,
                policy=_policy(scripts),
                style=Markup(text("style.css")),  # noqa: S704 - a file of ours
                scripts=Markup("\n").join(_element(source) for source in scripts),
            )
        )
        + "\n"
    )


def _policy(scripts: Sequence[str]) -> str:
    digests = " ".join(f"'sha256-{_digest(source)}'" for source in scripts) or "'none'"
    # Styles may stand inline: drawings carry them on their marks. They cannot fetch anything either.
    return (
        f"default-src 'none'; script-src {digests}; style-src 'unsafe-inline'; "
        "base-uri 'none'; form-action 'none'"
    )


def _digest(source: str) -> str:
    return base64.b64encode(hashlib.sha256(source.encode()).digest()).decode()


def _element(source: str) -> Markup:
    if "</script" in source.lower() or "<!--" in source:
        raise ValueError("a script of a page must not hold the end of a script element; write it otherwise.")
    return Markup("<script>" + source + "</script>")  # noqa: S704 - scripts are ours, never data


@cache
def _libraries() -> str:
    """Vega, Vega-Lite and vega-embed as one script, from the package that also draws without a browser."""
    bundle: str = vl_convert.javascript_bundle(text("charts.js"))
    return bundle
