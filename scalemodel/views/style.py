"""The look of every figure: colours, shapes, type, and bytes that do not change on a rerun."""

import io
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any, Literal

import matplotlib as mpl
from matplotlib.figure import Figure
from matplotlib.font_manager import fontManager

from scalemodel.views.signs import harmless
from scalemodel.views.svg import page_svg

__all__ = ["Figure", "FigureFormat", "figure_bytes", "house_style", "inline_svg"]

FigureFormat = Literal["png", "svg", "pdf"]

PAPER = "#fcfbf8"
INK = "#26242b"
QUIET = "#6f6c76"  # small print: 5:1 against the paper
CONTEXT = "#a7a3ad"  # cards and charts that stand around the one in question
LINE = "#dedad2"
PLUM = "#6a3d8f"  # the card in question
AMBER = "#9c6209"  # the ceiling: apart from plum in lightness too, for eyes that miss the hue
BAND = "#f0d9ae"
TINT = "#d3c1e3"

COLOURS = {
    "paper": PAPER,
    "ink": INK,
    "quiet": QUIET,
    "context": CONTEXT,
    "line": LINE,
    "plum": PLUM,
    "amber": AMBER,
    "band": BAND,
    "tint": TINT,
}
"""The whole palette, by the custom properties that a page may set instead."""

FALLBACK_FONTS = ("Noto Sans CJK JP", "Hiragino Sans", "Yu Gothic", "Malgun Gothic", "SimHei")
"""Fonts for names in scripts that the usual font lacks, taken where they are installed."""

_SETTINGS: dict[Any, Any] = {
    "figure.facecolor": PAPER,
    "savefig.dpi": "figure",
    "savefig.facecolor": "auto",
    "axes.facecolor": "none",
    "axes.edgecolor": LINE,
    "axes.labelcolor": QUIET,
    "axes.labelsize": 9.5,
    "axes.linewidth": 0.8,
    "axes.spines.left": False,
    "axes.spines.right": False,
    "axes.spines.top": False,
    "axes.axisbelow": True,
    "axes.grid": True,
    "axes.grid.axis": "x",
    "grid.color": LINE,
    "grid.linewidth": 0.7,
    "text.color": INK,
    "text.parse_math": False,  # a "$" in a name is a "$"
    "xtick.color": QUIET,
    "xtick.labelsize": 9,
    "xtick.major.size": 0,
    "xtick.minor.size": 0,
    "ytick.color": INK,
    "ytick.labelsize": 9.5,
    "ytick.major.size": 0,
    "font.size": 9.5,
    "legend.frameon": False,
    "svg.hashsalt": "scalemodel",
    "pdf.fonttype": 42,
}


@contextmanager
def house_style() -> Iterator[None]:
    """Hold the figure settings while drawing or saving; nothing stays changed afterwards."""
    installed = {font.name for font in fontManager.ttflist}
    family = ["DejaVu Sans", *(name for name in FALLBACK_FONTS if name in installed)]
    with mpl.rc_context():
        mpl.rcdefaults()
        mpl.rcParams.update({**_SETTINGS, "font.family": family})
        yield


@contextmanager
def _boxes_for_missing_glyphs() -> Iterator[None]:
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", message="Glyph .* missing")
        yield


def figure_bytes(figure: Figure, kind: FigureFormat) -> bytes:
    """Draw a figure as PNG, SVG or PDF; the same figure gives the same bytes.

    The width and height are the figure's own. Characters that no installed font has are drawn
    as boxes.
    """
    stream = io.BytesIO()
    with house_style(), _boxes_for_missing_glyphs():
        figure.savefig(stream, format=kind, metadata=dict.fromkeys(_UNSTABLE[kind]))
    drawn = stream.getvalue()
    return harmless(drawn.decode("utf-8")).encode("utf-8") if kind == "svg" else drawn


_UNSTABLE: dict[FigureFormat, tuple[str, ...]] = {
    "png": ("Software",),
    "svg": ("Date",),
    "pdf": ("CreationDate", "Creator", "Producer"),
}
"""What a file would say of when and by what it was made."""


def inline_svg(figure: Figure, title: str, described: str) -> str:
    """Draw a figure as an ``<svg>`` element of an HTML page, with texts as texts.

    Every colour is a custom property (``var(--ink, #26242b)``, see `COLOURS`), so that a page can
    have a dark mode; the width is that of the page. The same figure gives the same text.

    Args:
        figure: what is drawn.
        title: its name, for screen readers.
        described: what it shows, for screen readers.
    """
    stream = io.BytesIO()
    with house_style(), mpl.rc_context({"svg.fonttype": "none"}), _boxes_for_missing_glyphs():
        figure.savefig(stream, format="svg", metadata={"Date": None})
    return page_svg(harmless(stream.getvalue().decode("utf-8")), COLOURS, title, described)
