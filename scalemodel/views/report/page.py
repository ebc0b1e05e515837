"""The report as one HTML page that asks nothing of the network."""

import base64
import hashlib
import re
from collections.abc import Callable, Sequence
from pathlib import Path

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from scalemodel.answers.report import Report
from scalemodel.views.report import (
    charts,
    data,
    forecasts,
    groups,
    latency,
    learned,
    lows,
    order,
    power,
    standings,
    unreleased,
    value,
    whatif,
)
from scalemodel.views.report.parts import Section
from scalemodel.views.signs import harmless
from scalemodel.views.words import METRIC_WORDS, count_words, level_words

SECTIONS: tuple[Callable[[Report], Section | None], ...] = (
    charts.section,
    unreleased.section,
    whatif.section,
    standings.section,
    order.section,
    groups.section,
    lows.section,
    latency.section,
    power.section,
    value.section,
    data.section,
    forecasts.section,
    learned.section,
)
"""The sections in their order; one that gives None is not in the page."""

ASSETS = Path(__file__).parent / "assets"
_UNSAFE = re.compile("[<>&\u2028\u2029]")


def report_page(report: Report, progress: Callable[[], None] = lambda: None) -> str:
    """Write the page; the same report gives the same text.

    Args:
        report: all answers.
        progress: called after each of `SECTIONS`.
    """
    sections = []
    for make in SECTIONS:
        section = make(report)
        sections += [section] if section else []
        progress()
    styles, scripts = _asset("report.css"), _asset("report.js")
    styles += [Markup(section.style) for section in sections if section.style]
    scripts += [Markup(section.script) for section in sections if section.script]
    return (
        _templates()
        .get_template("page.html")
        .render(
            title=_title(report),
            about=_about(report),
            sections=sections,
            styles=styles,
            scripts=scripts,
            data={key: in_script(text) for one in sections for key, text in one.data.items()},
            policy=_policy(styles, scripts),
        )
    )


def _asset(name: str) -> list[Markup]:
    return [Markup((ASSETS / name).read_text(encoding="utf-8"))]


def in_script(json: str) -> Markup:
    """Make JSON safe inside a ``<script>`` element: no character of it can end the element."""
    return Markup(_UNSAFE.sub(lambda found: f"\\u{ord(found[0]):04x}", json))


def _templates() -> Environment:
    return Environment(
        loader=PackageLoader("scalemodel.views.report"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
        finalize=_finalized,
    )


def _finalized(value: object) -> object:
    """Let no text of a bench turn the direction of what follows, or hold what HTML cannot."""
    return harmless(value) if isinstance(value, str) and not isinstance(value, Markup) else value


def _policy(styles: Sequence[str], scripts: Sequence[str]) -> str:
    """Allow these styles and scripts and nothing else, above all no request."""
    style, script = (" ".join(_hash(text) for text in texts) for texts in (styles, scripts))
    rest = "base-uri 'none'; form-action 'none'"
    return f"default-src 'none'; style-src {style}; script-src {script}; {rest}"


def _hash(text: str) -> str:
    digest = hashlib.sha256(text.encode("utf-8")).digest()
    return f"'sha256-{base64.b64encode(digest).decode()}'"


def _title(report: Report) -> str:
    labels = report.fit.labels
    cards = count_words(len(labels.cards), "card")
    return f"What {cards} on {count_words(len(labels.charts), 'chart')} tell"


def _about(report: Report) -> str:
    fit = report.fit
    metric = METRIC_WORDS.get(fit.metric, fit.metric)
    return (
        f"Bench {fit.bench.source}: {metric}, {', '.join(fit.labels.platforms)}; ranges of "
        f"{level_words(report.level)}. Fitted with scalemodel {fit.settings['version']}: "
        f"{fit.status}."
    )
