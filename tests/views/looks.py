"""What is wrong with a figure can partly be found: texts cut off, or on each other."""

from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.text import Text
from matplotlib.transforms import Bbox

from scalemodel.views.style import house_style

SLACK = 1.5
"""Points that texts may reach beyond the edge or into each other: less than a letter's edge."""


def boxes(figure: Figure) -> list[tuple[str, Bbox]]:
    """Give every text that is drawn and the box around it, in points."""
    with house_style():
        canvas = FigureCanvasAgg(figure)
        canvas.draw()
        scale, hidden = 72 / figure.dpi, _beyond_axes(figure)
        found = [
            (text.get_text(), Text.get_window_extent(text, canvas.get_renderer()))
            for text in figure.findobj(Text)
            if isinstance(text, Text) and text.get_text().strip() and text not in hidden
        ]
    return [
        (words, Bbox.from_extents(*(end * scale for end in box.extents))) for words, box in found
    ]


def _beyond_axes(figure: Figure) -> set[Text]:
    """Give the labels of ticks outside their axes: they are not drawn."""
    hidden: set[Text] = set()
    for axes in figure.axes:
        for axis in (axes.xaxis, axes.yaxis):
            low, high = sorted(axis.get_view_interval())
            ticks = axis.get_major_ticks()
            beyond = [tick for tick in ticks if not low <= tick.get_loc() <= high]
            hidden |= {tick.label1 for tick in (ticks if not axes.axison else beyond)}
    return hidden


def cut_off(figure: Figure) -> list[str]:
    """Give the texts that reach beyond the edge."""
    wide, tall = 72 * figure.get_size_inches()
    return [
        words
        for words, box in boxes(figure)
        if box.x0 < -SLACK or box.y0 < -SLACK or box.x1 > wide + SLACK or box.y1 > tall + SLACK
    ]


def overlapping(figure: Figure) -> list[tuple[str, str]]:
    """Give pairs of level texts that cover each other."""
    turned = {
        text.get_text()
        for text in figure.findobj(Text)
        if isinstance(text, Text) and text.get_rotation() % 90
    }
    found = [(words, box) for words, box in boxes(figure) if words not in turned]
    return [
        (one, other)
        for n, (one, box) in enumerate(found)
        for other, second in found[n + 1 :]
        if min(box.x1, second.x1) - max(box.x0, second.x0) > SLACK
        and min(box.y1, second.y1) - max(box.y0, second.y0) > SLACK
    ]


def smallest_letters(figure: Figure) -> float:
    """Give the size of the smallest type in pixels."""
    texts = [text for text in figure.findobj(Text) if isinstance(text, Text) and text.get_text()]
    return min(text.get_fontsize() for text in texts) * figure.dpi / 72
